"""Settings and marks that change during the flight."""
