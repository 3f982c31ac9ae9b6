"""Leaving a thermal on flights with known truth: time of the change to cruise, end and gain of the climb.

Truth: gliders of a general flight-dynamics library, see `truth_thermal`. The wings are level when the bank
is below 5 degrees; a climb lasts from 12 degrees of bank, which turn the glider by 5 degrees a second, to
12 degrees, and its gain is the integral of the true total-energy climb rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.isa import G0_MPS2
from tests.support.circling_bars import NOISE
from tests.support.truth_air import PRELUDE_S, Wish
from tests.support.truth_gliders import GLIDERS
from tests.support.truth_thermal import SETTLE_S, Plan, fly_plan, gaussian
from vario.app.replay.player import play
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

STRAIGHT_S = 12.0
"""Duration of straight flight before the circle, so that the turns of the prelude have no effect."""

TURNING_RAD = math.radians(12.0)

EXITS = ("straight", "correction on", "correction back", "corner", "search", "shift")


@dataclass(frozen=True, slots=True)
class Left:
    """The result of a flight.

    Attributes:
        exit: the way of leaving the thermal, one of `EXITS`.
        late_s: time from level wings, or from zero bank in a reversal, to cruise; None: never.
        end_late_s: end of the listed climb minus the true end.
        gain_off_m: its gain minus the true gain; None: no climb was listed.
        climbs: number of climbs listed.
        flips: changes to cruise before the thermal was left.
    """

    exit: str
    late_s: float | None
    end_late_s: float | None
    gain_off_m: float | None
    climbs: int
    flips: int


def leave(seed: int) -> Left:
    """Fly into a thermal, circle, and leave it in one of the ways of `EXITS`, chosen by the seed."""
    rng = np.random.default_rng(seed)
    kind = EXITS[seed % len(EXITS)]
    way = float(rng.choice([-1.0, 1.0]))
    bank, tas = way * rng.uniform(0.5, 0.7), rng.uniform(22.0, 25.0)
    begin_s, leave_s = STRAIGHT_S, SETTLE_S + rng.uniform(60.0, 90.0)
    pause_s, turn_s = rng.uniform(2.0, 4.0), rng.uniform(3.0, 4.5)
    corner_s, shift_s = rng.uniform(5.0, 9.0), rng.uniform(3.5, 5.0)
    fast = rng.uniform(27.0, 32.0)

    def wish(t: float, _lift: float) -> Wish:
        if t < begin_s:
            return Wish(tas_mps=25.0)
        after_s = t - leave_s
        if after_s < 0.0:
            shifting = kind == "shift" and 0.0 < t - SETTLE_S - 22.0 < shift_s
            return Wish(bank_rad=0.0 if shifting else bank, tas_mps=tas)
        # The simulated pilot takes some 8 s to level the wings.
        correcting = 8.0 + pause_s < after_s < 8.0 + pause_s + turn_s
        turns = {
            "correction on": 0.6 * bank if correcting else 0.0,
            "correction back": -0.6 * bank if correcting else 0.0,
            "corner": -bank if after_s < corner_s else 0.0,
            "search": bank if 14.0 < after_s < 14.0 + 34.0 else 0.0,
        }
        return Wish(bank_rad=turns.get(kind, 0.0), tas_mps=fast)

    wind_mps, wind_rad = rng.uniform(0.0, 8.0), rng.uniform(0.0, math.tau)
    glider = ("sgs126", "sgs233")[seed // len(EXITS) % 2]
    plan = Plan(
        gaussian(rng.uniform(3.5, 5.0), rng.uniform(200.0, 280.0), 0.8),
        wind_mps=(wind_mps * math.cos(wind_rad), wind_mps * math.sin(wind_rad)),
        turbulence_mps=float(rng.choice([0.0, 0.4])),
        options=wish,
        offset_m=rng.uniform(0.0, 40.0),
        towards_rad=rng.uniform(0.0, math.tau),
        bank_rad=bank,
        tas_mps=tas,
        duration_s=leave_s + 75.0,
    )
    flight = fly_plan(plan, glider, seed).flight
    pipeline = Pipeline(Settings(), GLIDERS[glider], NOISE)
    modes: list[tuple[float, Mode]] = []
    for reading in play(flight.samples(), pipeline):
        if not modes or reading.mode is not modes[-1][1]:
            modes.append((reading.t_s, reading.mode))
    pipeline.close()
    truth = flight.truth
    t_s, banked = truth["t_s"], truth["bank_rad"] * way
    left_s = PRELUDE_S + leave_s
    started = t_s[(t_s > PRELUDE_S + begin_s) & (banked > TURNING_RAD)][0]
    ended = t_s[(t_s > left_s) & (banked < TURNING_RAD)][0]
    level_s = t_s[(t_s > left_s) & (banked < math.radians(5.0) * (kind != "corner"))][0]
    cruise = [when for when, mode in modes if mode is Mode.CRUISE and when > left_s]
    flips = [w for w, m in modes if m is Mode.CRUISE and PRELUDE_S + begin_s < w <= left_s]
    climbs = [climb for climb in pipeline.finished_climbs() if climb.end_s > PRELUDE_S + begin_s]
    energy_m = truth["altitude_m"] + truth["tas_mps"] ** 2 / (2.0 * G0_MPS2)
    gain_m = float(energy_m[t_s == ended][0] - energy_m[t_s == started][0])
    return Left(
        kind,
        float(cruise[0] - level_s) if cruise else None,
        float(climbs[0].end_s - ended) if climbs else None,
        climbs[0].gain_m - gain_m if climbs else None,
        len(climbs),
        len(flips),
    )
