"""Events in flight: changed settings, marks of the pilot, and the use of knobs and buttons.

A recording contains them in order with the samples, so that a replay does the same as the flight.
"""

from __future__ import annotations

from drivers.quick import dataclass


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


STEP = "step"
"""A knob was turned by one step."""

REFUSED = "refused"
"""What a knob or button asked for was refused, such as a step beyond the range of its setting."""

TAKEN = "taken"
"""What a button asked for was done, such as a mark. A change of settings reports itself."""

SAY = "say"
"""The pilot wants to hear what the text names."""


@dataclass(frozen=True, slots=True)
class PilotAction:
    """The pilot used a knob or a button, or asked for a spoken value. It changes only what is heard.

    Attributes:
        t_s: time.
        kind: `STEP`, `REFUSED`, `TAKEN` or `SAY`.
        text: with `SAY`, what to say; otherwise what the knob or button asked for.
    """

    t_s: float
    kind: str
    text: str


Event = SettingsChange | Mark | PilotAction

EVENTS = (SettingsChange, Mark, PilotAction)
"""The same for `isinstance`, which is faster with a tuple."""
