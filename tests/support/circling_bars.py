"""Measurements for `bench_circling` and the tests: direction of the lift, expected and achieved climb.

Truth: gliders of a general flight-dynamics library in published updrafts, see `truth_thermal`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers import isa
from tests.support.truth_air import Wish
from tests.support.truth_gliders import GLIDERS, NOISE
from tests.support.truth_thermal import (
    Plan,
    Updraft,
    allen,
    circle_middles,
    fly_plan,
    gaussian,
    strongest_headings,
)
from vario.app.replay.player import play
from vario.flight.core.polar import QuadraticPolar
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

Floats = NDArray[np.float64]

OFF_CENTRE_M = (20.0, 150.0)
"""Distances at which a direction is measured: nearer it is undetermined, further there is hardly any lift."""

CRUISE_MPS = 27.0
ROLLS_IN_AT = 0.7
"""The pilot turns when the lift has fallen to this share of its best (common practice, no source)."""


def direction_errors(seed: int, turbulence_mps: float, *, glider_file: bool, flights: int = 3) -> Floats:
    """Error of the shown direction of the strongest lift, every four seconds, degrees; shape (n,).

    Positive: in the direction of the turn, too late. Without `glider_file` there is no netto.
    """
    rng = np.random.default_rng(seed)
    errors = []
    for flight in range(flights):
        wind_mps, wind_rad = rng.uniform(0.0, 8.0), rng.uniform(0.0, math.tau)
        plan = Plan(
            gaussian(rng.uniform(2.5, 4.5), rng.uniform(100.0, 190.0), 0.4),
            offset_m=rng.uniform(25.0, 65.0),
            towards_rad=rng.uniform(0.0, math.tau),
            bank_rad=rng.uniform(0.55, 0.72) * (-1.0 if flight % 2 else 1.0),
            wind_mps=(wind_mps * math.cos(wind_rad), wind_mps * math.sin(wind_rad)),
            turbulence_mps=turbulence_mps,
            duration_s=170.0,
        )
        glider = "sgs126" if flight % 2 else "sgs233"
        found = fly_plan(plan, glider, 10 * seed + flight)
        pipeline = Pipeline(Settings(), GLIDERS[glider] if glider_file else None, NOISE)
        way, shown = math.copysign(1.0, plan.bank_rad), []
        for reading in play(found.flight.samples(), pipeline):
            late = reading.t_s > found.begin_s + 50.0
            if late and (not shown or reading.t_s - shown[-1][0] >= 4.0) and reading.thermal.circle:
                shown.append((reading.t_s, reading.thermal.circle))
        t_s = np.array([t for t, _ in shown])
        offsets = np.hypot(*circle_middles(found, t_s).T)
        truths = strongest_headings(found, t_s)
        for (_, circle), offset, truth in zip(shown, offsets, truths, strict=True):
            if OFF_CENTRE_M[0] < offset < OFF_CENTRE_M[1] and circle.strongest_heading_rad is not None:
                errors.append(
                    way * math.degrees(math.remainder(circle.strongest_heading_rad - truth, math.tau))
                )
    return np.array(errors)


def expected_and_achieved(seed: int) -> tuple[float, float]:
    """The climb shown as the pilot rolls in, and the mean over two turns in the same thermal, m/s.

    Smooth air. The glider crosses the thermal straight, up to 40 m beside its core; it circles with the bank
    of the settings, at its speed of least sink, its circle up to 20 m off.
    """
    rng = np.random.default_rng(seed)
    glider = ("sgs126", "sgs233")[seed % 2]
    updraft = _updraft(rng, allens=seed % 3 == 0)
    way = float(rng.choice([-1.0, 1.0]))
    crossing = Plan(
        updraft,
        options=lambda _t, _lift: Wish(tas_mps=CRUISE_MPS),
        tas_mps=CRUISE_MPS,
        ahead_m=300.0,
        miss_m=way * rng.uniform(0.0, 40.0),
        duration_s=28.0,
    )
    pipeline = Pipeline(Settings(), GLIDERS[glider], NOISE)
    flight = fly_plan(crossing, glider, seed).flight
    lift, t_s = flight.truth["air_up_mps"], flight.truth["t_s"]
    best = int(np.argmax(lift))
    rolls_in_s = float(t_s[best + int(np.argmax(lift[best:] < ROLLS_IN_AT * lift[best]))])
    shown = None
    for reading in play(flight.samples(), pipeline):
        if reading.t_s > rolls_in_s:
            break
        shown = reading.expected.climb_mps
    assert shown is not None
    return shown, _achieved(updraft, glider, way, rng)


def _updraft(rng: np.random.Generator, *, allens: bool) -> Updraft:
    if allens:
        return allen(rng.uniform(2.0, 4.0), 2000.0, 1000.0, rng.uniform(0.8, 1.3))
    return gaussian(rng.uniform(2.5, 5.0), rng.uniform(100.0, 220.0))


def _achieved(updraft: Updraft, glider: str, way: float, rng: np.random.Generator) -> float:
    bank = Settings().circling.bank_rad
    height_m = 2300.0
    density = isa.density_kgpm3(isa.pressure_pa(height_m), isa.temperature_k(height_m))
    speed_eas = QuadraticPolar.of(GLIDERS[glider]).circling_speed_mps(bank)
    # The simulated pilot banks somewhat more than intended, by a share that depends on the glider.
    held = {"sgs126": 0.97, "sgs233": 0.92}[glider]
    circling = Plan(
        updraft,
        offset_m=rng.uniform(0.0, 20.0),
        towards_rad=rng.uniform(0.0, math.tau),
        bank_rad=way * held * bank,
        tas_mps=speed_eas * math.sqrt(isa.SEA_LEVEL_KGPM3 / density),
        duration_s=110.0,
    )
    found = fly_plan(circling, glider, 100_000 + int(rng.integers(100_000)))
    truth = found.flight.truth[found.flight.truth["t_s"] > found.begin_s + 6.0]
    heading = np.unwrap(truth["heading_rad"])
    turns = int(np.flatnonzero(np.abs(heading - heading[0]) >= 2.0 * math.tau)[0])
    return float(np.mean(truth["vario_mps"][:turns]))
