"""What mining keeps of a recording for its review: envelope, windows of the top suspects, usual pulses."""
