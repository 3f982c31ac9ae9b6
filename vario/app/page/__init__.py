"""A flight as one self-contained page for the browser: plots, map, climbs, sound, health of the estimate."""
