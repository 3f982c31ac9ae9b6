"""The flight logic: pure and deterministic. It uses no clock and no file: the time is that of the samples."""
