"""Settings and marks that come while flying."""
