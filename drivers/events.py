"""What happens to the instrument in flight beside its sensors: changed settings, and marks of the pilot.

They travel with the samples, in the recording and in order, so that a replay does what the flight did.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SettingsChange:
    """The settings file has changed, whether it can be used or not: the text of it and of its glider file."""

    t_s: float
    settings_toml: str
    glider_toml: str | None


@dataclass(frozen=True, slots=True)
class Mark:
    """Something the pilot wants to find again."""

    t_s: float
    text: str


Event = SettingsChange | Mark
