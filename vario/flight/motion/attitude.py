"""Attitude and rate of turn."""

from __future__ import annotations

import math

from drivers.quick import dataclass


@dataclass(frozen=True, slots=True)
class Attitude:
    """Orientation and turning.

    Pitch is that of the instrument, because its mounting cannot be distinguished from the angle of attack.
    Bank is that of the glider, right wing down positive. `turn_rate_radps` is the rate of heading, right
    positive; `load_factor` is the normal one, 1 in level flight. The path through the air points
    `path_right_rad` to the right of the nose, seen from above, and `path_up_rad` above the horizon.
    """

    pitch_rad: float
    bank_rad: float
    turn_rate_radps: float
    load_factor: float
    path_right_rad: float = 0.0
    path_up_rad: float = 0.0


def heading_rate_radps(pitch_rad: float, bank_rad: float, q_radps: float, r_radps: float) -> float:
    """Rate of heading from body rates: (q·sin φ + r·cos φ)/cos θ, limited near the vertical."""
    return (q_radps * math.sin(bank_rad) + r_radps * math.cos(bank_rad)) / max(0.05, math.cos(pitch_rad))
