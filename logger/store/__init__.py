"""What is on disk and survives a power cut."""
