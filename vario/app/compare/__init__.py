"""Compare two results: which columns differ, since when, and by how much."""
