"""Recordings and calls of the command for the tests of calibration."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from functools import cache

import numpy as np

from drivers.samples import Baro, Sample
from hw_replay.simulate import simulate
from hw_replay.simulate.plan import Phase, after, heading, straight
from tests.support.plain_flights import begun_in_the_air
from vario.app.calibrate.command import add_parser
from vario.app.calibrate.series import corrected_pressures
from vario.settings.load import parse_settings

SIMULATED = parse_settings(
    '[sensors.baro]\noffset = "22 Pa"\n[sensors.pitot]\noffset = "1.2 Pa"\n', "simulated"
).settings.sensors
"""The constant errors of the simulated sensors (hw_replay/simulate/sensors.py)."""

TRIANGLE = [Phase(f"to {deg}", 110 / 3.6, after(45), heading(math.radians(deg))) for deg in (0, 120, 240)]
"""Three straight runs of 45 s at 110 km/h."""

PULL_UPS = 5 * [Phase("fast", 150 / 3.6, after(22), straight), Phase("slow", 95 / 3.6, after(22), straight)]
"""Five times from 150 to 95 km/h, in 220 s."""


def at_rest(kind: type[Sample], mean: Sequence[float], noise: float, seconds: float = 30.0) -> list[Sample]:
    random = np.random.default_rng(1)
    rows = np.array(mean) + noise * random.standard_normal((round(seconds * 50), len(mean)))
    return [kind(k / 50, *(float(value) for value in row)) for k, row in enumerate(rows)]  # type: ignore[misc]


def leaking(minute_loss: float) -> list[Sample]:
    """A vessel with a small leak loses its suction exponentially; the limit is a tenth of it."""
    tau_s = -60.0 / math.log(1.0 - minute_loss)
    top_pa = 101_325.0 - 97_717.0  # 1000 ft in the US Standard Atmosphere 1976: 977.17 hPa
    samples: list[Sample] = []
    for k in range(100 * 10):
        t_s = k / 10
        suction = 0.0 if t_s < 5 else min(1.0, (t_s - 5) / 10) * top_pa
        if t_s > 15:
            suction = top_pa * math.exp(-(t_s - 15) / tau_s)
        samples.append(Baro(t_s, 101_325.0 - suction))
    return samples


def flown(plan: Sequence[Phase], speed_kmh: float, seconds: float, wobble: float = 1.0) -> list[Sample]:
    """A simulated flight in still air or steady wind, begun in the air; noise and biases as simulated."""
    scenario = begun_in_the_air(plan, speed_kmh, seconds, wobble=wobble)
    return list(corrected_pressures(simulate(scenario), SIMULATED))


@cache
def glides() -> list[Sample]:
    speeds = (85, 95, 105, 115, 130, 145, 160)
    return flown([Phase(str(v), v / 3.6, after(36), straight) for v in speeds], 85, 252.0)


def run(*words: str) -> int:
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["calibrate", *words])
    return int(arguments.command(arguments))
