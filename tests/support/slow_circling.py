"""Drawn circling of a point mass with the whole instrument, for the bars of the advice on a slow turn.

Usual circling: 1.2 to 1.3 times the stall speed of the glider file under the load of the turn, 30 to 42
degrees of bank, with the wander of a pilot and gusts along and up (common practice, no source). After that
the airspeed is 1.02 to 1.07 times that stall speed for some seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from drivers.samples import Sample
from tests.support.point_mass import PointMass, Wish
from vario.app.replay.player import Player
from vario.flight.core.polar import QuadraticPolar
from vario.flight.motion.energy import Noise
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.tone.cues import Cue
from vario.settings.glider import Glider
from vario.settings.schema import Settings

STRAIGHT_S = 40.0
SLOW_S = 15.0


@dataclass(frozen=True, slots=True)
class Advised:
    """Cues in usual circling of so many seconds; and the time from 1.1 times the stall speed, without gusts,
    to the cue, s; None: no cue.
    """

    circled_s: float
    false: int
    told_s: float | None

    def said(self) -> str:
        """One line."""
        told = "not told" if self.told_s is None else f"told after {self.told_s:.1f} s"
        return f"{self.false} false cues in {self.circled_s / 60.0:.1f} min of circling; slow {told}"


def circle(seed: int, glider: Glider, usual_s: float = 600.0) -> Advised:
    """Fly one."""
    rng = np.random.default_rng([seed, 40])
    polar = QuadraticPolar.of(glider)
    mass = PointMass(
        rng,
        (polar.c, polar.b, polar.a),
        field_m=0.0,
        above_m=1500.0,
        tas_mps=27.0,
        wind_mps=(float(rng.uniform(-6.0, 6.0)), float(rng.uniform(-6.0, 6.0))),
        gusts_mps=float(rng.uniform(0.2, 0.6)),
        imu=True,
    )
    player = Player(Pipeline(Settings(), glider, Noise(baro_pa=1.2, pitot_pa=0.5)))
    slow_from_s = STRAIGHT_S + usual_s
    circled_s, before_s, false, last = 0.0, 0.0, 0, 0
    slow_s: float | None = None
    told_s: float | None = None
    for samples in _samples(mass, rng, glider.limits.stall_mps, slow_from_s):
        if slow_s is None and mass.t_s > slow_from_s and _margin(mass, glider.limits.stall_mps) < 1.1:
            slow_s = mass.t_s
        for sample in samples:
            for reading in player.push(sample):
                circled_s += (reading.t_s - before_s) * (reading.mode is Mode.CIRCLING)
                before_s = reading.t_s
                call = reading.tone.cue
                if call is None or call.number == last:
                    continue
                last = call.number
                if call.cue is not Cue.SLOW_FOR_BANK:
                    continue
                if mass.t_s < slow_from_s:
                    false += 1
                elif told_s is None and slow_s is not None:
                    told_s = mass.t_s - slow_s
    return Advised(circled_s, false, told_s)


def _margin(mass: PointMass, stall_mps: float) -> float:
    """Airspeed over the stall speed in this turn, VS·√n, without gusts."""
    return mass.calm_mps * mass.root / (stall_mps / math.sqrt(math.cos(mass.bank_rad)))


def _samples(
    mass: PointMass, rng: np.random.Generator, stall_mps: float, slow_from_s: float
) -> Iterator[list[Sample]]:
    bank_rad = math.radians(rng.uniform(30.0, 42.0)) * float(rng.choice([-1.0, 1.0]))
    usual, slow = rng.uniform(1.2, 1.3), rng.uniform(1.02, 1.07)
    sway, phase = rng.uniform(0.02, 0.06), rng.uniform(0.0, math.tau, size=2)

    def wish() -> Wish | None:
        t_s = mass.t_s
        if t_s > slow_from_s + SLOW_S:
            return None
        if t_s < STRAIGHT_S:
            return Wish(27.0)
        bank = bank_rad + sway * math.sin(t_s / 5.0 + phase[0])
        margin = slow if t_s > slow_from_s else usual + 0.03 * math.sin(t_s / 7.0 + phase[1])
        # Lift that keeps the height; stall speeds are indicated airspeeds.
        wanted_mps = margin * stall_mps * math.sqrt(1.0 / math.cos(bank)) / mass.root
        return Wish(wanted_mps, bank, lift_mps=1.3)

    return mass.fly(wish)
