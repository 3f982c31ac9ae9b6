"""How a pilot shifts a circle by reducing the bank for a moment: how far, when to begin, and what it gains.

In a coordinated turn the rate of turn is ω = g·tan φ/V. While the bank is smaller than in the circle, the
middle of the circle moves in the direction of flight by V·(1 − ω/ω₀) per second. A roll-out and the roll back
in are symmetrical, so the sum of this motion points along the heading in the middle of the manoeuvre.
"""

from __future__ import annotations

import math
from enum import Enum

from drivers.isa import G0_MPS2
from drivers.quick import dataclass
from vario.flight.thermal.core_fit import Core, circle_mean_mps

STEPS = 8
"""Of the integral over one roll."""

LAG_S = 0.3
"""A glider rolls this much later than its stick moves (common practice, no source)."""

THREE_POINTS = ((1 / 6, -math.sqrt(3.0)), (2 / 3, 0.0), (1 / 6, math.sqrt(3.0)))
"""Weights and places, in standard deviations, of Gauss-Hermite quadrature over a normal distribution."""

BANK_LIMITS_RAD = (math.radians(10.0), math.radians(60.0))

STEEP_RAD, SHALLOW_RAD = math.radians(25.0), math.radians(8.0)
"""The roll rate is learned from rolls between these banks."""

SLOWEST_ROLL_S = 4.0
"""A change of bank slower than this does not count as a roll."""

LEARNED_SHARE = 0.3
"""Weight of a new roll in the learned rate."""


class Size(Enum):
    """The action of the pilot: the remaining share of the bank, and its duration, s."""

    LITTLE = (0.5, 2.0)
    USUAL = (0.0, 0.0)
    FAR = (0.0, 2.0)


@dataclass(frozen=True, slots=True)
class Manoeuvre:
    """A manoeuvre.

    Attributes:
        size: what the pilot does.
        shift_m: how far it moves the circle.
        half_rad: angle turned from its beginning to its middle, where the nose points along the shift.
    """

    size: Size
    shift_m: float
    half_rad: float


def manoeuvre(size: Size, tas_mps: float, bank_rad: float, roll_rate_radps: float) -> Manoeuvre:
    """The manoeuvre of a size at this true airspeed, bank of the circle (positive) and roll rate."""
    left, hold_s = size.value
    full = math.tan(bank_rad)
    step_s = bank_rad * (1.0 - left) / roll_rate_radps / STEPS
    # From the middle backwards: half of the time held, then the roll.
    shift_m = turned_rad = 0.0
    parts = [(left * bank_rad, hold_s / 2.0)]
    parts += [(bank_rad * (left + (1.0 - left) * (k + 0.5) / STEPS), step_s) for k in range(STEPS)]
    for part_rad, time_s in parts:
        turn_rad = G0_MPS2 * math.tan(part_rad) / tas_mps * time_s
        along = math.cos(turned_rad + turn_rad / 2.0)
        shift_m += 2.0 * tas_mps * time_s * along * (1.0 - math.tan(part_rad) / full)
        turned_rad += turn_rad
    return Manoeuvre(size, shift_m, turned_rad + G0_MPS2 * full / tas_mps * LAG_S)


def best_manoeuvre(
    core: Core, tas_mps: float, rate_radps: float, roll_rate_radps: float, min_gain_mps: float
) -> Manoeuvre | None:
    """The manoeuvre after which the circle climbs best; None if none gains as much as asked.

    Args:
        core: relative to the middle of the circle.
        tas_mps: true airspeed.
        rate_radps: rate of turn in the circle.
        roll_rate_radps: with which the pilot rolls.
        min_gain_mps: of climb, around the whole circle.
    """
    low, high = BANK_LIMITS_RAD
    bank_rad = min(max(math.atan(tas_mps * abs(rate_radps) / G0_MPS2), low), high)
    radius_m = tas_mps**2 / (G0_MPS2 * math.tan(bank_rad))
    found = [manoeuvre(size, tas_mps, bank_rad, roll_rate_radps) for size in Size]
    gains = [_expected_gain_mps(core, radius_m, m.shift_m) for m in found]
    best = max(range(len(found)), key=gains.__getitem__)
    return found[best] if gains[best] >= min_gain_mps else None


def _expected_gain_mps(core: Core, radius_m: float, shift_m: float) -> float:
    """Gain of climb by a shift towards the core, averaged over the uncertainty of its distance."""
    distance_m = math.hypot(core.north_m, core.east_m)
    along_m = math.sqrt(max(2.0 * core.sigma_m**2 - core.across_m**2, 0.0))
    return math.fsum(
        weight
        * (
            circle_mean_mps(core, radius_m, math.hypot(off_m - shift_m, core.across_m))
            - circle_mean_mps(core, radius_m, math.hypot(off_m, core.across_m))
        )
        for weight, off_m in ((share, distance_m + sigmas * along_m) for share, sigmas in THREE_POINTS)
    )


class RollRate:
    """Learns how fast this pilot rolls this glider, from rolls into and out of turns."""

    def __init__(self) -> None:
        self.learned_radps: float | None = None
        self._steep_s: float | None = None
        self._shallow_s: float | None = None

    def update(self, t_s: float, bank_rad: float) -> None:
        """One frame."""
        bank_rad = abs(bank_rad)
        if bank_rad >= STEEP_RAD:
            if self._shallow_s is not None:
                self._take(t_s - self._shallow_s)
                self._shallow_s = None
            self._steep_s = t_s
        elif bank_rad <= SHALLOW_RAD:
            if self._steep_s is not None:
                self._take(t_s - self._steep_s)
                self._steep_s = None
            self._shallow_s = t_s

    def _take(self, took_s: float) -> None:
        if not 0.0 < took_s <= SLOWEST_ROLL_S:
            return
        rate = (STEEP_RAD - SHALLOW_RAD) / took_s
        before = self.learned_radps
        self.learned_radps = rate if before is None else before + LEARNED_SHARE * (rate - before)
