"""Pilots for `pilot_loop`: without sound, with the centring cue, and with knowledge of the core.

All of them roll in at the same time to the same bank and hold the same airspeed. They differ only in how they
shift the circle. The pilot with the cue acts as docs/tone.md says: at the first note the pilot reduces the
bank, according to the number of notes, and then returns to the same bank.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.support.pilot_loop import STRAIGHT_S, Seen, turn_radius_m
from tests.support.truth_air import PRELUDE_S
from tests.support.truth_dynamics import G0_MPS2
from vario.flight.tone.cues import Cue
from vario.flight.tone.stage import ToneCommand

ROLL_LAG_S = 0.4
"""Delay from the stick to the roll of the glider, which a pilot knows."""


@dataclass(frozen=True, slots=True)
class Habits:
    """Parameters of a pilot: bank of the circle (right positive), roll rate, and the range of reaction
    times.
    """

    bank_rad: float
    roll_rate_radps: float
    reaction_s: tuple[float, float] = (0.5, 1.0)


class Constant:
    """Rolls in and holds the bank."""

    def __init__(self, habits: Habits) -> None:
        self.habits = habits
        self._share, self._until_s = 1.0, -math.inf

    @property
    def roll_rate_radps(self) -> float:
        return self.habits.roll_rate_radps

    def hear(self, t_s: float, tone: ToneCommand) -> None:
        """Ignore the cues."""

    def bank(self, seen: Seen) -> float:
        """Desired bank: straight flight, then the circle, with less bank during a manoeuvre."""
        if seen.t_s < PRELUDE_S + STRAIGHT_S:
            return 0.0
        self.decide(seen)
        return self.habits.bank_rad * (self._share if seen.t_s < self._until_s else 1.0)

    def decide(self, seen: Seen) -> None:
        """Decide whether a manoeuvre begins."""

    def begin(self, t_s: float, share: float, hold_s: float) -> None:
        """Reduce the bank to this share, hold it, and bank again."""
        roll_s = abs(self.habits.bank_rad) * (1.0 - share) / self.roll_rate_radps
        self._share, self._until_s = share, t_s + roll_s + hold_s
        self.busy_until_s = t_s + 2.0 * roll_s + hold_s

    busy_until_s = -math.inf


IN_TURN_S = 2.0
"""The bank is over 15 degrees from this time after the beginning of the roll-in on."""

ACTIONS: dict[Cue, tuple[float, float]] = {
    Cue.SHIFT_A_LITTLE: (0.5, 2.0),
    Cue.SHIFT: (0.0, 0.0),
    Cue.SHIFT_FAR: (0.0, 2.0),
}
"""Remaining share of the bank and its duration, s, by cue, as in docs/tone.md."""


class ByEar(Constant):
    """Acts on each centring cue after a reaction time; counts the time of reduced bank with an error of up to
    20 %.
    """

    def __init__(self, habits: Habits, seed: int) -> None:
        super().__init__(habits)
        self._rng = np.random.default_rng([seed, 11])
        self._heard = 0
        self._plan: tuple[float, float, float] | None = None
        self.obeyed: list[tuple[float, Cue]] = []
        self.before = 0
        """Number of cues in the turns before the thermal, which are false."""
        self.turn_calls = 0
        """Number of calls to turn while turning already, which are false."""

    def hear(self, t_s: float, tone: ToneCommand) -> None:
        """Start the reaction to a new cue."""
        call = tone.cue
        if call is None or call.number == self._heard:
            return
        self._heard = call.number
        self.turn_calls += call.cue is Cue.WORTH_TURNING and t_s > PRELUDE_S + STRAIGHT_S + IN_TURN_S
        if t_s < PRELUDE_S + STRAIGHT_S:
            self.before += call.cue in ACTIONS
            return
        if call.cue in ACTIONS and self._plan is None and t_s >= self.busy_until_s:
            share, hold_s = ACTIONS[call.cue]
            delay_s = self._rng.uniform(*self.habits.reaction_s)
            self._plan = (t_s + delay_s, share, hold_s * self._rng.uniform(0.8, 1.2))
            self.obeyed.append((t_s, call.cue))

    def decide(self, seen: Seen) -> None:
        if self._plan is not None and seen.t_s >= self._plan[0]:
            _, share, hold_s = self._plan
            self._plan = None
            self.begin(seen.t_s, share, hold_s)


NEAR_M = 15.0
"""Smallest shift that this pilot makes."""


class KnowsCore(Constant):
    """Knows the position of the core at every moment, and makes the manoeuvre that centres the circle on
    it.
    """

    def __init__(self, habits: Habits, tas_mps: float) -> None:
        super().__init__(habits)
        self._sizes = [self._size(tas_mps, share, 0.0) for share in np.linspace(0.9, 0.0, 10)]
        self._sizes += [self._size(tas_mps, 0.0, hold) for hold in np.arange(0.5, 10.0, 0.5)]

    def _size(self, tas_mps: float, share: float, hold_s: float) -> tuple[float, float, float, float]:
        """Shift, m, angle turned from the beginning to the middle, share and hold; by small steps."""
        bank = abs(self.habits.bank_rad)
        roll_s = bank * (1.0 - share) / self.roll_rate_radps
        full = G0_MPS2 * math.tan(bank) / tas_mps
        dt_s = 0.02
        heading, north, east = full * ROLL_LAG_S, 0.0, 0.0
        for step in range(round((2.0 * roll_s + hold_s) / dt_s)):
            t = (step + 0.5) * dt_s
            t = min(t, 2.0 * roll_s + hold_s - t)
            now = G0_MPS2 * math.tan(max(bank - self.roll_rate_radps * t, share * bank)) / tas_mps
            north += tas_mps * (1.0 - now / full) * math.cos(heading) * dt_s
            east += tas_mps * (1.0 - now / full) * math.sin(heading) * dt_s
            heading += now * dt_s
        return math.hypot(north, east), math.atan2(east, north), share, hold_s

    def decide(self, seen: Seen) -> None:
        bank = self.habits.bank_rad
        if seen.t_s < self.busy_until_s + 1.0 or abs(seen.bank_rad - bank) > math.radians(6.0):
            return
        way = math.copysign(1.0, bank)
        radius_m = turn_radius_m(seen.tas_mps, seen.bank_rad)
        normal = seen.heading_rad + way * math.pi / 2.0
        north = seen.to_core_m[0] - radius_m * math.cos(normal)
        east = seen.to_core_m[1] - radius_m * math.sin(normal)
        distance_m = math.hypot(north, east)
        if distance_m < NEAR_M:
            return
        _, lead, share, hold_s = min(self._sizes, key=lambda size: abs(size[0] - distance_m))
        ahead = math.remainder(way * (math.atan2(east, north) - seen.heading_rad) - lead, math.tau)
        if -math.radians(10.0) < ahead <= 0.0:
            self.begin(seen.t_s, share, hold_s)
