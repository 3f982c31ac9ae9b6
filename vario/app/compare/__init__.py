"""Two results side by side: what differs, where first, and by how much."""
