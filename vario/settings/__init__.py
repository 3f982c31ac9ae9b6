"""The settings of the instrument: schema and defaults, units, files and their messages."""
