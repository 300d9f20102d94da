"""What was measured, how well, and by which rule it is decided. Pure functions of values."""
