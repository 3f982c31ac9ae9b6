"""Hypothesis without its deadline of 200 ms for an example: no test depends on how fast the machine is."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
