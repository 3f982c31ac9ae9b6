"""What the samples mean: the instrument itself, and the application around it."""
