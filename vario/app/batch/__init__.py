"""Replay many recordings in parallel."""
