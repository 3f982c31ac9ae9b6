"""The outputs of the instrument: their catalogue, and the rows, columns and files generated from it."""
