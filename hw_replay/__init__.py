"""The samples of `drivers`, from recordings, imported files and simulated flights.

Imports `drivers` only; what the samples mean is the business of `vario`.
"""
