"""A flight as one self-contained HTML page: plots, map, climbs, sound, consistency of the estimator."""
