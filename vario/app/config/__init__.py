"""The settings in force, and the command `vario config`."""
