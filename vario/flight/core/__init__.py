"""Shared parts: low pass, rotations, the polar."""
