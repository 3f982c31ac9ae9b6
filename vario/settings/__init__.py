"""The settings of the instrument: schema, defaults, units, file reading and error messages."""
