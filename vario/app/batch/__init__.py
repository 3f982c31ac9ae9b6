"""Many recordings through the instrument at once."""
