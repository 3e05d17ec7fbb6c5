"""What a change to the car did: season, comparing, effects, plan."""
