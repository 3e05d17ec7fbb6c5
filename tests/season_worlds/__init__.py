"""Seasons of timed runs, by another hand than tuned the verdicts: they judge, and choose no constant."""
