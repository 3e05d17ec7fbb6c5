"""Ports, threads and the panel: recording a drive."""
