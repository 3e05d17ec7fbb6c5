"""Fixes to speed, acceleration and distance, with the receiver's noise."""
