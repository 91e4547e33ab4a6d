"""The pure core: facts in, wishes out. No I/O, no clock, no logging."""
