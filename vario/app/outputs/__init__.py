"""The outputs of the instrument: one catalogue of them, and the rows, columns and files made from it."""
