"""Fuel loops, coasts, power at the wheels."""
