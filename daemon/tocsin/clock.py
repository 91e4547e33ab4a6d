"""The only reader of clocks."""
