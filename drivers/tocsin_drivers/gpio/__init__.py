"""Outputs: simulated pins, and a Raspberry Pi's lines."""
