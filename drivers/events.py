"""Events in flight: changed settings, and marks of the pilot.

A recording contains them in order with the samples, so that a replay does the same as the flight.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SettingsChange:
    """The settings file has changed: its text and that of its glider file, valid or not."""

    t_s: float
    settings_toml: str
    glider_toml: str | None


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment that the pilot marked with a text."""

    t_s: float
    text: str


Event = SettingsChange | Mark
