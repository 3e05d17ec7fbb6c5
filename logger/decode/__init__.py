"""Bytes to fixes and readings, and their clocks."""
