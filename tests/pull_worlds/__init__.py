"""Seasons of full-throttle pulls, standing and rolling, by another hand than makes verdicts of power: they judge."""
