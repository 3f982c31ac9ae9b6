"""Noise figures and filter settings from recorded data."""
