"""Lift around the circle: climb over heading, for the last turn and as a decaying mean of several turns.

On a circle beside a core, the rise of the air over heading is nearly a constant plus one sine wave. The
glider is closest to the core at the crest of the wave (exactly so for a thermal of Gaussian section). The
wave is fitted by weighted least squares to points whose headings are corrected for the lag of the vario; its
amplitude is corrected for the damping by this lag. No direction is given if the wave is not significant.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from drivers.quick import dataclass
from vario.flight.thermal.lift_map import STEP_RAD, LiftPoint

SECTORS = 24
SECTOR_RAD = math.tau / SECTORS

SURE = 2.5
"""The wave is significant from this multiple of its standard error on."""

FRESH_PER_TURN = 8.0
"""Independent samples of the air per turn: eddies that a glider feels are about 60 m long, a circle 500 m."""

LEAST_TURN = 0.8
"""Fraction of a turn that must have been flown before a result is given."""


@dataclass(frozen=True, slots=True)
class Circle:
    """Lift around the circle. Sector k reaches from k to k+1 times 15 degrees of heading.

    `last_mps`, `mean_mps`: climb by sector, of the last turn and of several; None: not flown. `middle_mps`
    is the mean around the circle; `asymmetry_mps` how much faster the air rises at the best heading and
    `sigma_mps` the standard error of that. `strongest_heading_rad` is the heading where the glider passes the
    strongest lift and `roll_out_heading_rad` where the heading points from the middle of the circle towards
    it; both None unless the asymmetry is significant. Headings are from true north if `from_north`, else
    from an arbitrary zero.
    """

    last_mps: tuple[float | None, ...]
    mean_mps: tuple[float | None, ...]
    middle_mps: float
    asymmetry_mps: float
    sigma_mps: float
    strongest_heading_rad: float | None
    roll_out_heading_rad: float | None
    right: bool
    from_north: bool


def circle_of(
    points: Sequence[LiftPoint],
    *,
    averaging_turns: float,
    least_mps: float,
    lag_gain: float,
    right: bool,
    from_north: bool,
) -> Circle | None:
    """Lift around the circle from the points of one continuous turn; None before most of a turn is flown.

    Args:
        points: oldest first.
        averaging_turns: number of turns after which the weight of a point has fallen to 1/e.
        least_mps: an asymmetry below this is not significant.
        lag_gain: factor that restores the amplitude damped by the lag, √(1 + ω²τ²).
        right: whether the turn is to the right.
        from_north: whether headings count from true north.
    """
    if len(points) < LEAST_TURN * math.tau / STEP_RAD:
        return None
    turned = np.array([point.turn_angle_rad for point in points])
    age = np.abs(turned[-1] - turned)
    if age[0] < LEAST_TURN * math.tau:
        return None
    climb = np.array([point.climb_mps for point in points])
    air = np.array([point.air_mps for point in points])
    heading = np.array([point.heading_rad for point in points])
    weight = np.exp(-age / (math.tau * averaging_turns))
    rows = np.column_stack((np.ones_like(heading), np.cos(heading), np.sin(heading)))
    normal = rows.T @ (rows * weight[:, None])
    both = np.linalg.solve(normal, rows.T @ (weight[:, None] * np.column_stack((climb, air))))
    middle, wave = float(both[0, 0]), both[:, 1]
    a, b = float(wave[1]), float(wave[2])
    rest = air - rows @ wave
    # Weighted points count for (Σw)²/Σw² points of full weight, and only some of these are independent.
    turns = float(weight.sum() ** 2 / (weight**2).sum()) * STEP_RAD / math.tau
    scatter = math.sqrt(float((weight * rest**2).sum() / weight.sum()))
    sigma = lag_gain * scatter * math.sqrt(2.0 / (FRESH_PER_TURN * turns))
    asymmetry = lag_gain * math.hypot(a, b)
    significant = asymmetry >= max(least_mps, SURE * sigma)
    strongest = math.atan2(b, a) % math.tau if significant else None
    quarter = math.pi / 2 if right else -math.pi / 2
    return Circle(
        _sectors(heading, climb, (age < math.tau).astype(float)),
        _sectors(heading, climb, weight),
        middle,
        asymmetry,
        sigma,
        strongest,
        None if strongest is None else (strongest - quarter) % math.tau,
        right,
        from_north,
    )


def _sectors(heading: np.ndarray, climb: np.ndarray, weight: np.ndarray) -> tuple[float | None, ...]:
    sector = (heading / SECTOR_RAD).astype(int) % SECTORS
    weights = np.bincount(sector, weight, SECTORS)
    sums = np.bincount(sector, weight * climb, SECTORS)
    return tuple(float(s / w) if w > 0.0 else None for s, w in zip(sums, weights, strict=True))
