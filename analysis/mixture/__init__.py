"""Load, delay, map and jets."""
