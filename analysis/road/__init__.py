"""Fuel loops, coasts, power at the wheels."""

NORMAL_95 = 1.96
"""Half the 95 % interval of a normal error over its standard deviation."""
