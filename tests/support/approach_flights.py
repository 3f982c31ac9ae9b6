"""Drawn flights from the ground to the ground, for the bars of the approach.

Tow, gliding with a stretch of sink, half of them a climb from low down, then a circuit with airbrakes. The
airbrakes add 2.5 to 5 m/s of sink (CS 22.75, from memory: a glide no flatter than 1 in 7 at 1.3 times the
stall speed, about 3.5 m/s). Heights are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from drivers.samples import Sample
from tests.support.point_mass import STEP_S, PointMass, Wish
from vario.app.replay.player import Player
from vario.flight.core.polar import QuadraticPolar
from vario.flight.motion.energy import Noise
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.tone.stage import Voice
from vario.settings.glider import Glider
from vario.settings.schema import Settings

NEAR_M = 1200.0

AWAY_M = 300.0
"""Above this height there is no approach."""


@dataclass
class Judged:
    """What the instrument did in one flight.

    Attributes:
        braked_s: time with airbrakes until the ground.
        told_s: from the airbrakes to the mode approach; negative: it was known before. None: never.
        commanded_s: time with a speed to fly after the airbrakes were opened.
        droned_s: likewise, with the tone of sink.
        false_s: time in approach above 300 m.
        saved_s: from the beginning of the low climb to the next speed to fly; None: no low climb, or never.
        low_climb: whether there was one, and the mode was approach when it began.
    """

    braked_s: float = 0.0
    told_s: float | None = None
    commanded_s: float = 0.0
    droned_s: float = 0.0
    false_s: float = 0.0
    saved_s: float | None = None
    low_climb: bool = False
    modes: list[str] = field(default_factory=list)

    def said(self) -> str:
        """One line."""
        told, saved = (_seconds(value) for value in (self.told_s, self.saved_s))
        low = f"; low climb, speed to fly again after {saved}" if self.low_climb else ""
        return (
            f"airbrakes for {self.braked_s:.0f} s, approach told after {told}, speed to fly for"
            f" {self.commanded_s:.1f} s, tone of sink for {self.droned_s:.1f} s;"
            f" approach above 300 m for {self.false_s:.1f} s{low}"
        )


def _seconds(value: float | None) -> str:
    return "never" if value is None else f"{value:.1f} s"


@dataclass
class _Plan:
    """The pilot: a list of legs, by time and height."""

    mass: PointMass
    seed: int
    brakes_s: float | None = None
    climb_s: float | None = None

    def samples(self) -> Iterator[list[Sample]]:
        rng, mass = np.random.default_rng([self.seed, 31]), self.mass
        low_climb = self.seed % 2 == 1
        climb_from_m, climb_mps = rng.uniform(120.0, 240.0), rng.uniform(2.5, 4.0)
        brakes_from_m, brakes_mps = rng.uniform(90.0, 230.0), rng.uniform(2.5, 5.0)
        approach_mps, cruise_mps = rng.uniform(25.0, 29.0), rng.uniform(24.0, 30.0)
        release_m, street_mps = rng.uniform(420.0, 600.0), rng.uniform(-2.5, -1.0)
        yield from self._for(30.0, Wish(0.0))
        yield from mass.fly(
            lambda: Wish(33.0, self._weave(0.2), tow_mps=3.5) if mass.above_m < release_m else None
        )
        yield from self._for(20.0, Wish(cruise_mps))
        yield from self._for(30.0, Wish(cruise_mps, lift_mps=street_mps))
        floor_m = climb_from_m if low_climb else brakes_from_m
        yield from mass.fly(lambda: Wish(cruise_mps, self._weave(0.5)) if mass.above_m > floor_m else None)
        if low_climb:
            self.climb_s = mass.t_s
            yield from mass.fly(lambda: Wish(24.0, 0.6, lift_mps=climb_mps) if mass.above_m < 380.0 else None)
            yield from mass.fly(
                lambda: Wish(cruise_mps, self._weave(0.5)) if mass.above_m > brakes_from_m else None
            )
        self.brakes_s = mass.t_s
        yield from mass.fly(
            lambda: (
                Wish(approach_mps, self._weave(0.5), brakes_mps=brakes_mps) if mass.above_m > 0.0 else None
            )
        )
        yield from self._for(40.0, Wish(0.0))

    def _for(self, seconds: float, wish: Wish) -> Iterator[list[Sample]]:
        end_s = self.mass.t_s + seconds - STEP_S / 2.0
        return self.mass.fly(lambda: wish if self.mass.t_s < end_s else None)

    def _weave(self, bank_rad: float) -> float:
        """Legs of 25 s and turns of 180 degrees; further than 1200 m from the field, back to it."""
        mass = self.mass
        if math.hypot(mass.north_m, mass.east_m) > NEAR_M:
            home_rad = math.atan2(-mass.east_m, -mass.north_m)
            off_rad = math.remainder(home_rad - mass.heading_rad, math.tau)
            return math.copysign(bank_rad, off_rad) if abs(off_rad) > 0.3 else 0.0
        turn_s = math.pi * mass.tas_mps / (9.81 * math.tan(bank_rad)) if mass.tas_mps > 15.0 else 1.0
        return bank_rad if mass.t_s % (25.0 + turn_s) > 25.0 else 0.0


def approach(seed: int, glider: Glider) -> Judged:
    """Fly one and judge it. Half of the seeds have an inertial unit."""
    rng = np.random.default_rng([seed, 30])
    polar = QuadraticPolar.of(glider)
    wind, wind_rad = rng.uniform(0.0, 8.0), rng.uniform(0.0, math.tau)
    mass = PointMass(
        rng,
        (polar.c, polar.b, polar.a),
        field_m=rng.uniform(100.0, 700.0),
        above_m=0.0,
        tas_mps=0.0,
        wind_mps=(wind * math.cos(wind_rad), wind * math.sin(wind_rad)),
        gusts_mps=rng.uniform(0.2, 0.6),
        imu=seed % 4 >= 2,
    )
    plan, player = _Plan(mass, seed), Player(Pipeline(Settings(), glider, Noise(baro_pa=1.2, pitot_pa=0.5)))
    judged = Judged()
    before_s = 0.0
    for samples in plan.samples():
        for sample in samples:
            for reading in player.push(sample):
                _judge(judged, reading, plan, reading.t_s - before_s)
                before_s = reading.t_s
    return judged


def _judge(judged: Judged, reading: Reading, plan: _Plan, dt_s: float) -> None:
    mode, t_s, above_m = reading.mode, plan.mass.t_s, plan.mass.above_m
    if not judged.modes or judged.modes[-1] != mode:
        judged.modes.append(str(mode))
    is_approach = mode is Mode.APPROACH
    if is_approach and above_m > AWAY_M:
        judged.false_s += dt_s
    if plan.climb_s is not None and plan.brakes_s is None:
        if t_s - plan.climb_s < 0.1:
            judged.low_climb = is_approach
        if judged.low_climb and judged.saved_s is None and reading.speed.command_mps is not None:
            judged.saved_s = t_s - plan.climb_s
    if plan.brakes_s is None or above_m <= 0.0:
        return
    judged.braked_s += dt_s
    if is_approach and judged.told_s is None:
        judged.told_s = t_s - plan.brakes_s
    judged.commanded_s += dt_s * (reading.speed.command_mps is not None)
    judged.droned_s += dt_s * (reading.tone.voice is Voice.SINK)
