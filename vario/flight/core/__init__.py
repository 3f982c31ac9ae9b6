"""Shared parts: low pass, state tables, rotations, distances, the polar, innovations of a filter."""
