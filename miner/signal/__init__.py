"""signal."""
