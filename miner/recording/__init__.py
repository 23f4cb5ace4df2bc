"""recording."""
