"""An engine as time-stepped physics, with an engine computer that sees only teeth, for tests and benchmarks."""
