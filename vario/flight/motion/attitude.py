"""How the glider lies in the air."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.quick import quick


@quick
@dataclass(frozen=True, slots=True)
class Attitude:
    """Orientation and turning.

    Pitch is the instrument's own (how it is tilted against the fuselage cannot be told from incidence), bank
    the glider's, right wing down positive. `turn_rate_radps` is the rate of heading, right positive;
    `load_factor` the normal one, 1 in level flight. The flight through the air goes `path_right_rad` to the
    right of the nose, seen from above, and `path_up_rad` above the horizon.
    """

    pitch_rad: float
    bank_rad: float
    turn_rate_radps: float
    load_factor: float
    path_right_rad: float = 0.0
    path_up_rad: float = 0.0


def heading_rate_radps(pitch_rad: float, bank_rad: float, q_radps: float, r_radps: float) -> float:
    """Rate of heading from body rates: (q·sin φ + r·cos φ)/cos θ, kept finite near the vertical."""
    return (q_radps * math.sin(bank_rad) + r_radps * math.cos(bank_rad)) / max(0.05, math.cos(pitch_rad))
