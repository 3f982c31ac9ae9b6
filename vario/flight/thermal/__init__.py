"""Thermals: averages and climbs, the lift around the circle, the core, the centring cue."""
