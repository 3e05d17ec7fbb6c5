"""The report: one self-contained HTML page of a drive, of two setups, or of a season."""
