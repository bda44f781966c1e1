"""What the numbers mean: instruments, teeth, depths. Pure functions, no I/O."""
