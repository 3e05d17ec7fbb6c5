"""The verbs that record and keep drives."""
