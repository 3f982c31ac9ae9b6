"""The tone, heard and seen without a flight."""
