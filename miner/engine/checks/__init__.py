"""Is a recording good enough to judge an ignition by, and if not, from when to when and what helps."""
