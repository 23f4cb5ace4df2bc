"""Does the setup fit the signals, and which other reading of the engine fits better."""
