"""Leaving a thermal on flights of known truth: when cruise is told, and end and gain of the climb.

Truth: gliders of a general flight-dynamics library with usual roll rates, see `pilot_loop`. The wings are
level when the bank is below 5 degrees; a climb lasts from 12 degrees of bank, which turn the glider by 5
degrees a second, to 12 degrees, and its gain is the change of the true energy height. Circling that lost
height after a shift of the circle in which cruise was told is a search, and no part of the climb.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from drivers.isa import G0_MPS2
from tests.support.pilot_cases import Case, core_of
from tests.support.pilot_ears import ACTIONS, Constant, Habits
from tests.support.pilot_loop import STRAIGHT_S, LoopScene, Seen, fly_loop
from tests.support.truth_air import PRELUDE_S, Wish
from tests.support.truth_gliders import GLIDERS, NOISE
from tests.support.truth_thermal import gaussian
from vario.app.replay.player import Player
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue
from vario.settings.schema import Settings

TURNING_RAD = math.radians(12.0)
LEVEL_RAD = math.radians(5.0)
BEGIN_S = PRELUDE_S + STRAIGHT_S

EXITS = ("straight", "correction on", "correction back", "corner", "search")
BELLS = (Cue.CIRCLING_BEGUN, Cue.CRUISE_BEGUN)


@dataclass(frozen=True, slots=True)
class Left:
    """What a flight gave.

    Attributes:
        exit: how the thermal was left, one of `EXITS`.
        late_s: cruise after the wings were level, or after the bank passed zero into a corner; None: never.
        end_late_s: end of the climb listed, less the true end.
        gain_off_m: its gain, less the true gain; None: no climb was listed.
        climbs: number of climbs listed.
        flips: changes to cruise in the two shifts of the circle before the thermal was left.
        bells: bells of cruise and circling in these shifts.
    """

    exit: str
    late_s: float | None
    end_late_s: float | None
    gain_off_m: float | None
    climbs: int
    flips: int
    bells: int


class _Leaver(Constant):
    """Flies a schedule of banks, and faster from a time on."""

    def __init__(
        self,
        habits: Habits,
        scene: LoopScene,
        banks: list[tuple[float, float]],
        leave_s: float,
        tas_mps: float,
    ) -> None:
        super().__init__(habits)
        self._scene, self._banks, self._leave_s, self._tas_mps = scene, banks, leave_s, tas_mps

    def bank(self, seen: Seen) -> float:
        if seen.t_s > self._leave_s:
            self._scene.tas_mps = self._tas_mps
        return [bank for begin_s, bank in self._banks if begin_s <= seen.t_s][-1]


def leave(seed: int) -> Left:
    """Fly into a thermal, circle, shift the circle twice, leave it in the way of `EXITS` of the seed."""
    rng = np.random.default_rng([seed, 31])
    kind = EXITS[seed % len(EXITS)]
    bank = math.radians(rng.uniform(28.0, 40.0)) * float(rng.choice([-1.0, 1.0]))
    habits = Habits(bank, math.radians(rng.uniform(10.0, 20.0)))
    tas, roll_s = rng.uniform(23.0, 26.0), abs(bank) / habits.roll_rate_radps
    wind_mps, wind_rad = rng.uniform(0.0, 8.0), rng.uniform(0.0, math.tau)
    glider = ("sgs126", "sgs233")[seed // len(EXITS) % 2]
    scene = LoopScene(
        lambda _t, _lift: Wish(),
        turbulence_mps=float(rng.choice([0.0, 0.4])),
        tas_mps=tas,
        updraft=gaussian(rng.uniform(3.5, 5.0), rng.uniform(200.0, 280.0), 0.8),
        wind_mps=(wind_mps * math.cos(wind_rad), wind_mps * math.sin(wind_rad)),
    )
    banks, shift_s = [(0.0, 0.0), (BEGIN_S, bank)], BEGIN_S + rng.uniform(30.0, 40.0)
    for share, hold_s in rng.permutation(list(ACTIONS.values()))[:2].tolist():
        back_s = shift_s + roll_s * (1.0 - share) + hold_s * rng.uniform(0.8, 1.2)
        banks += [(shift_s, share * bank), (back_s, bank)]
        shift_s += rng.uniform(25.0, 35.0)
    leave_s, corner_s = shift_s, rng.uniform(2.0, 5.0)
    begin_s, turn_s = leave_s + roll_s + rng.uniform(1.0, 4.0), rng.uniform(2.0, 4.0)
    turn_rad = math.copysign(math.radians(20.0), bank)
    banks += {
        "straight": [(leave_s, 0.0)],
        "correction on": [(leave_s, 0.0), (begin_s, turn_rad), (begin_s + turn_s, 0.0)],
        "correction back": [(leave_s, 0.0), (begin_s, -turn_rad), (begin_s + turn_s, 0.0)],
        "corner": [(leave_s, -bank), (leave_s + 2.0 * roll_s + corner_s, 0.0)],
        "search": [(leave_s, 0.0), (leave_s + 17.0, bank), (leave_s + 47.0, 0.0)],
    }[kind]
    scene.duration_s = leave_s + 80.0
    case = Case(
        seed,
        glider,
        scene.updraft,
        scene.wind_mps,
        scene.turbulence_mps,
        rng.uniform(0.0, 40.0),
        rng.uniform(0.0, math.tau),
        tas,
        habits,
    )
    leaver = _Leaver(habits, scene, banks, leave_s, rng.uniform(27.0, 32.0))
    pipeline = Pipeline(Settings(), GLIDERS[glider], NOISE)
    modes: list[tuple[float, Mode]] = []
    rung: dict[int, float] = {}

    def watch(reading: Reading, _seen: Seen) -> None:
        if not modes or reading.mode is not modes[-1][1]:
            modes.append((reading.t_s, reading.mode))
        call = reading.tone.cue
        if call is not None and call.cue in BELLS:
            rung.setdefault(call.number, reading.t_s)

    truth = fly_loop(scene, glider, leaver, seed, core_of(case), player=Player(pipeline), watch=watch).truth
    pipeline.close()
    t_s, banked = truth["t_s"], truth["bank_rad"] * math.copysign(1.0, bank)
    started = t_s[(t_s > BEGIN_S) & (banked > TURNING_RAD)][0]
    ended = t_s[(t_s > leave_s) & (banked < TURNING_RAD)][0]
    level_s = t_s[(t_s > leave_s) & (banked < LEVEL_RAD * (kind != "corner"))][0]
    cruise = [when for when, mode in modes if mode is Mode.CRUISE and when > leave_s]
    flips = [when for when, mode in modes if mode is Mode.CRUISE and BEGIN_S < when <= leave_s]
    climbs = [climb for climb in pipeline.finished_climbs() if climb.end_s > BEGIN_S]
    energy_m = truth["altitude_m"] + truth["tas_mps"] ** 2 / (2.0 * G0_MPS2)
    flat = np.flatnonzero(np.diff(((banked < TURNING_RAD) & (t_s > started) & (t_s < ended)).astype(int)))
    stretches = [(started, ended)]
    for begin, end in flat.reshape(-1, 2):
        if any(0.0 < when - t_s[begin] < 12.0 for when in flips):
            stretches[-1:] = [(stretches[-1][0], t_s[begin]), (t_s[end], ended)]
    started, ended = _climbing(stretches, lambda when: float(energy_m[t_s == when][0]))
    gain_m = float(energy_m[t_s == ended][0] - energy_m[t_s == started][0])
    return Left(
        kind,
        float(cruise[0] - level_s) if cruise else None,
        float(climbs[0].end_s - ended) if climbs else None,
        climbs[0].gain_m - gain_m if climbs else None,
        len(climbs),
        len(flips),
        sum(BEGIN_S + 20.0 < when <= leave_s for when in rung.values()),
    )


def _climbing(
    stretches: list[tuple[float, float]], energy_m: Callable[[float], float]
) -> tuple[float, float]:
    """Begin and end of the climb: a last stretch that lost height was a search, and so was a first one."""
    while len(stretches) > 1 and energy_m(stretches[-1][1]) <= energy_m(stretches[-2][1]):
        stretches = stretches[:-1]
    while len(stretches) > 1 and energy_m(stretches[1][0]) <= energy_m(stretches[0][0]):
        stretches = stretches[1:]
    return stretches[0][0], stretches[-1][1]
