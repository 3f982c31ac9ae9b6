"""Simulated flights from a scenario file."""
