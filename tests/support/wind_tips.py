"""Ground velocities of a glider in a steady wind, for the tests of the wind filter."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vario.flight.wind.noise import WindNoise
from vario.flight.wind.state import WindState
from vario.flight.wind.update import take_velocity

Floats = NDArray[np.float64]

DT_S = 0.2
TAS_MPS = 25.0
TURN_RADPS = 0.3


def tips(
    headings: Floats, wind: tuple[float, float], *, north_rad: float = 0.0, scale: float = 1.0
) -> Floats:
    air = scale * TAS_MPS * np.stack([np.cos(headings + north_rad), np.sin(headings + north_rad)], axis=1)
    return np.asarray(air + np.array(wind))


def to_and_fro(count: int) -> Floats:
    """Evenly spread headings, each followed by the opposite one, so that it is never straight flight."""
    headings = np.arange(count) * math.tau / count
    return np.stack([headings[: count // 2], headings[count // 2 :]], axis=1).ravel()


def feed(kalman: WindState, velocities: Floats, headings: Floats, dt_s: float = DT_S) -> None:
    for (north, east), heading in zip(velocities.tolist(), headings.tolist(), strict=True):
        kalman.predict(dt_s)
        take_velocity(kalman, north, east, TAS_MPS, heading)


def flown() -> WindState:
    """A filter that has seen circles in a wind of (3, -5) m/s, with a scale of 0.95 and north at 1 rad."""
    headings = np.arange(0.0, 3.0 * math.tau, TURN_RADPS * DT_S)
    rng = np.random.default_rng(5)
    velocities = tips(headings, (3.0, -5.0), north_rad=1.0, scale=0.95) + rng.normal(
        0, 0.1, (len(headings), 2)
    )
    kalman = WindState(WindNoise())
    feed(kalman, velocities, headings)
    return kalman
