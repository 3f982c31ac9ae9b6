"""Samples of `drivers` from recordings, imported files and simulated flights.

This layer imports only `drivers`; `vario` interprets the samples.
"""
