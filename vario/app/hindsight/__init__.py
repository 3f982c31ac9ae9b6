"""The vario smoothed after the flight: every value uses the measurements before and after it."""
