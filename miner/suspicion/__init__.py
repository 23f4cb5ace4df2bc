"""suspicion."""
