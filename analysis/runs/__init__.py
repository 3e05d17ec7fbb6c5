"""Launches and runs: found, timed, described."""
