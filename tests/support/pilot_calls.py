"""Measure the cue for turning: straight flights through drawn thermals, and flights in turbulence alone.

Part of `bench_pilot`. The glider flies straight at 27 m/s past the core of a thermal, up to 60 m beside it.
"Worthwhile" is a thermal in which a circle of the settings' bank around the core would climb at the MacCready
value or better. `calls` runs the same on the stage alone, with air and errors of the vario drawn as
Gauss-Markov processes; so hours of turbulence take seconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from tests.support.pilot_ears import Constant, Habits
from tests.support.pilot_loop import LoopScene, Seen, fly_loop
from tests.support.setups import setup
from tests.support.truth_air import PRELUDE_S, Wish
from tests.support.truth_gliders import GLIDERS, NOISE
from tests.support.truth_thermal import gaussian
from vario.app.replay.player import Player
from vario.flight.core.polar import QuadraticPolar
from vario.flight.cruise.airmass import Airmass
from vario.flight.cruise.expected_climb import ExpectedClimbStage
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue
from vario.settings.schema import Settings

Floats = NDArray[np.float64]

TAS_MPS = 27.0
AHEAD_M = 450.0
SINK_MPS = 0.4
STEP_S = 0.1
LENGTH_M = 150.0
TURNING_RAD = math.radians(15.0)


TURBULENT_S, WEAVING_S = 420.0, 180.0
"""Parts of a flight in turbulence: straight, then circles and turns to alternate sides."""


@dataclass(frozen=True, slots=True)
class Turbulent:
    """Calls in a flight without a thermal: in straight flight of so many hours, and while the bank is over 15
    degrees.
    """

    hours: float
    straight: int
    turning: int


@dataclass(frozen=True, slots=True)
class Crossing:
    """A thermal that was passed. `before_m`: distance before the core at the cue; None: no cue."""

    worthwhile: bool
    before_m: float | None


class _Weaves(Constant):
    """Flies straight for `TURBULENT_S`, then two turns of 35 degrees of bank and four short ones."""

    def __init__(self) -> None:
        super().__init__(Habits(0.0, math.radians(15.0)))

    def bank(self, seen: Seen) -> float:
        t_s = seen.t_s - PRELUDE_S - TURBULENT_S
        way = 1.0 if t_s % 60.0 < 30.0 else -1.0
        level = t_s < 0.0 or t_s % 30.0 > (25.0 if t_s < 60.0 else 10.0)
        return 0.0 if level else way * math.radians(35.0)


def turbulent(seed: int) -> Turbulent:
    """Ten minutes in gusts of 1 m/s RMS on all axes with the whole instrument, without any thermal."""
    glider = ("sgs126", "sgs233")[seed % 2]
    scene = LoopScene(
        lambda _t, _lift: Wish(),
        turbulence_mps=1.0,
        tas_mps=TAS_MPS,
        duration_s=PRELUDE_S + TURBULENT_S + WEAVING_S,
    )
    last = [0]

    def watch(reading: Reading, seen: Seen) -> bool | None:
        call = reading.tone.cue
        if call is None or call.number == last[0]:
            return None
        last[0] = call.number
        return abs(seen.bank_rad) > TURNING_RAD if call.cue is Cue.WORTH_TURNING else None

    player = Player(Pipeline(Settings(), GLIDERS[glider], NOISE))
    kept = fly_loop(
        scene, glider, _Weaves(), seed, lambda place_m, _h: place_m, player=player, watch=watch
    ).kept
    return Turbulent(scene.duration_s / 3600.0, sum(not k for k in kept), sum(bool(k) for k in kept))


def crossing(seed: int) -> Crossing:
    """One flight past a thermal with the whole instrument."""
    rng = np.random.default_rng([seed, 18])
    strength, radius, miss = rng.uniform(2.5, 4.5), rng.uniform(120.0, 200.0), rng.uniform(-60.0, 60.0)
    wind, wind_rad = rng.uniform(0.0, 8.0), rng.uniform(0.0, math.tau)
    glider = ("sgs126", "sgs233")[seed % 2]
    scene = LoopScene(
        lambda _t, _lift: Wish(),
        turbulence_mps=rng.uniform(0.2, 0.6),
        tas_mps=TAS_MPS,
        duration_s=PRELUDE_S + (AHEAD_M + 100.0) / TAS_MPS,
        updraft=gaussian(strength, radius, SINK_MPS),
        wind_mps=(wind * math.cos(wind_rad), wind * math.sin(wind_rad)),
    )

    def place(place_m: tuple[float, float], heading_rad: float) -> tuple[float, float]:
        north = AHEAD_M * math.cos(heading_rad) - miss * math.sin(heading_rad)
        return place_m[0] + north, place_m[1] + AHEAD_M * math.sin(heading_rad) + miss * math.cos(heading_rad)

    def watch(reading: Reading, seen: Seen) -> float | None:
        call = reading.tone.cue
        if call is None or call.cue is not Cue.WORTH_TURNING or seen.t_s < PRELUDE_S:
            return None
        north, east = seen.to_core_m
        return north * math.cos(seen.heading_rad) + east * math.sin(seen.heading_rad)

    player = Player(Pipeline(Settings(), GLIDERS[glider], NOISE))
    kept = fly_loop(scene, glider, Constant(Habits(0.0, 0.2)), seed, place, player=player, watch=watch).kept
    before_m = float(kept[0]) if kept else None  # type: ignore[arg-type]
    return Crossing(worthwhile(glider, strength, radius), before_m)


def worthwhile(glider: str, strength_mps: float, radius_m: float) -> bool:
    """Whether a circle around the core would climb at the MacCready value of the settings."""
    polar, settings = QuadraticPolar.of(GLIDERS[glider]), Settings()
    bank = settings.circling.bank_rad
    circle_m = polar.circling_speed_mps(bank) ** 2 / (G0_MPS2 * math.tan(bank))
    air = gaussian(strength_mps, radius_m, SINK_MPS)(circle_m)
    return air - polar.circling_sink_mps(bank) >= settings.flight.maccready_mps


def gusts(rng: np.random.Generator, count: int, rms_mps: float, length_m: float = LENGTH_M) -> Floats:
    """A Gauss-Markov process in steps of `STEP_S`."""
    keep = math.exp(-STEP_S * TAS_MPS / length_m)
    kicks = rms_mps * math.sqrt(1.0 - keep * keep) * rng.standard_normal(count)
    found = np.empty(count)
    now = 0.0
    for k in range(count):
        now = found[k] = keep * now + kicks[k]
    return found


def measured(rng: np.random.Generator, air_mps: Floats) -> Floats:
    """Netto as computed by the instrument: 0.4 s late, with an error of 0.2 m/s RMS that lasts half a
    second.
    """
    found, now = np.empty_like(air_mps), 0.0
    for k, air in enumerate(air_mps.tolist()):
        now = found[k] = now + (air - now) * STEP_S / 0.4
    return found + gusts(rng, len(found), 0.2, 0.5 * TAS_MPS)


def calls(netto_mps: Sequence[float]) -> list[float]:
    """Times at which the advice to turn begins, in straight cruise with this netto, s."""
    polar = QuadraticPolar.of(GLIDERS["sgs126"])
    made = setup(polar=polar)
    sink = polar.circling_sink_mps(made.settings.circling.bank_rad)
    stage, before, found = ExpectedClimbStage(made), False, []
    energy = Energy(1000.0, 0.0, 24.0, TAS_MPS, 1.1, 0.0, 1037.0, compensated=True)
    for k, netto in enumerate(netto_mps, start=1):
        t_s = k * STEP_S
        worth = stage.update(t_s, STEP_S, energy, Airmass(netto, netto - sink), Mode.CRUISE).worth_turning
        if worth and not before:
            found.append(t_s)
        before = worth
    return found
