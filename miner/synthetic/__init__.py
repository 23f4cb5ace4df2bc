"""synthetic."""
