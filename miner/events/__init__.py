"""events."""
