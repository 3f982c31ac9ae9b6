"""Result files: their paths, and their atomic replacement."""
