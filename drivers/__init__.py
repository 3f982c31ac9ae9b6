"""Chips and sentences in, SI samples out.

This is the lowest layer: it imports nothing from `hw_replay` or `vario`.
"""
