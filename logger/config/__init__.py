"""Files to typed configuration."""
