"""The vario as known after the flight: every value from what was measured before and after it."""
