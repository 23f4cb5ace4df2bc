"""Bad input on purpose; one rule for all: right, or one sentence and exit code 2, and the old bytes stay."""
