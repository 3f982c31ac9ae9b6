"""Samples in frames; their checks, calibration and correction; which of them are missing."""
