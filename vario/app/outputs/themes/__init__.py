"""The entries of the catalogue, by theme."""
