"""A scene for the wind: two straight legs with one change of course, in a steady wind.

After the ordinary flight at the beginning of every scene there are a leg of 90 s, a quarter turn to the right
and a leg of two minutes. There are no circles, so the wind on the second leg is known only from one change of
course and from the turns at the beginning. The gliders are those of `truth_flight`.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from tests.support.truth_air import PRELUDE_S, Scene, Wish
from tests.support.truth_dynamics import integrate
from tests.support.truth_flight import Flight, Sensors, flown_once, sense

LEG_S = 90.0
TAS_MPS = 27.0
WIND_MPS = 6.0
_BANK_RAD = 0.5
TURN_S = math.pi / 2.0 / (9.80665 * math.tan(_BANK_RAD) / TAS_MPS)
"""A quarter turn at the coordinated rate g·tan φ/V."""


def legs(rng: np.random.Generator) -> Scene:
    """The scene; the direction of its wind is random."""
    towards = rng.uniform(0.0, 2.0 * math.pi)
    wind = (WIND_MPS * math.cos(towards), WIND_MPS * math.sin(towards), 0.0)

    def options(t: float, _lift: float) -> Wish:
        return Wish(bank_rad=_BANK_RAD if LEG_S < t < LEG_S + TURN_S else 0.0, tas_mps=TAS_MPS)

    return Scene(options, lambda _t, _n, _e: wind, 0.3, tas_mps=TAS_MPS, duration_s=PRELUDE_S + LEG_S + 130.0)


def fly_legs(glider: str, seed: int, cache: Path) -> Flight:
    """Fly the legs with a glider of the library ("sgs126", "sgs233"), or load the motion from `cache`."""
    scene = legs(np.random.default_rng([seed, 1]))
    truth = flown_once(
        cache / f"legs_{glider}_{seed}.npz",
        lambda: integrate(glider, scene, np.random.default_rng([seed, 2])),
    )
    return sense("legs", scene, truth, Sensors(), seed)
