"""Answers: from a drive folder to runs, mixture, comparisons and reports. Never opens a port."""
