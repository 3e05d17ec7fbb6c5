"""Recording: from bytes on a cable to a drive folder. Never imports `analysis`."""
