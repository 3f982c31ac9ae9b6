"""The drawn cases of the pilot bench, and one case flown by its three pilots.

Each case is flown by gliders of a general flight-dynamics library with the instrument in the loop at 50 Hz
(`pilot_loop`), by three pilots (`pilot_ears`) who differ in one thing only: one holds the bank, one acts on
the cues, one knows the core. Thermal, wind, turbulence, place of the core, bank, roll rate and reaction time
are drawn from the seed of the case. The climb is the mean true gain of total energy over the 120 s after the
roll-in.

Updrafts: Gaussian with sink around it, W·exp(−d²/R²) − sink, and every fourth the profile of M. J. Allen
(AIAA 2006-1510, see `truth_thermal`) with the same strength and radius.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.support.once import digest, made_once
from tests.support.pilot_ears import ByEar, Constant, Habits, KnowsCore
from tests.support.pilot_loop import STRAIGHT_S, Flown, LoopScene, Seen, fly_loop, turn_radius_m
from tests.support.truth_air import PRELUDE_S, Wish
from tests.support.truth_dynamics import G0_MPS2
from tests.support.truth_gliders import GLIDERS, NOISE
from tests.support.truth_thermal import Updraft, allen, gaussian
from vario.app.replay.player import Player
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.schema import Settings

SCORE_S = 120.0


@dataclass(frozen=True, slots=True)
class Case:
    """What is drawn. `offset_m` and `towards_rad`: the core from the middle of the first circle, as aimed."""

    seed: int
    glider: str
    updraft: Updraft
    wind_mps: tuple[float, float]
    turbulence_mps: float
    offset_m: float
    towards_rad: float
    tas_mps: float
    habits: Habits


def draw(seed: int) -> Case:
    """The case of a seed."""
    rng = np.random.default_rng([seed, 17])
    strength, radius = rng.uniform(2.5, 4.5), rng.uniform(120.0, 200.0)
    wind, wind_rad = rng.uniform(0.0, 8.0), rng.uniform(0.0, math.tau)
    bank = math.radians(rng.uniform(32.0, 40.0)) * float(rng.choice([-1.0, 1.0]))
    return Case(
        seed,
        ("sgs126", "sgs233")[seed % 2],
        _published(strength, radius) if seed % 4 == 3 else gaussian(strength, radius, 0.4),
        (wind * math.cos(wind_rad), wind * math.sin(wind_rad)),
        rng.uniform(0.2, 0.6),
        rng.uniform(0.0, 120.0),
        rng.uniform(0.0, math.tau),
        rng.uniform(23.0, 25.0),
        Habits(bank, math.radians(rng.uniform(10.0, 20.0))),
    )


def _published(strength_mps: float, radius_m: float) -> Updraft:
    """Allen's profile with this strength in its middle and this radius where it falls to 1/e."""
    shape = allen(3.0, 2000.0, 1000.0)
    edge_m = next(d for d in range(1000) if shape(float(d)) < shape(0.0) / math.e)
    return lambda d: strength_mps * shape(d * edge_m / radius_m) / shape(0.0)


def scene_of(case: Case, score_s: float = SCORE_S) -> LoopScene:
    """The scene of a case."""
    return LoopScene(
        lambda _t, _lift: Wish(),
        turbulence_mps=case.turbulence_mps,
        tas_mps=case.tas_mps,
        duration_s=PRELUDE_S + STRAIGHT_S + score_s,
        updraft=case.updraft,
        wind_mps=case.wind_mps,
    )


def place_core(case: Case, place_m: tuple[float, float], heading_rad: float) -> tuple[float, float]:
    """The drawn distance from the middle of the circle into which the pilot is going to roll."""
    bank, rate = case.habits.bank_rad, case.habits.roll_rate_radps
    way, dt_s = math.copysign(1.0, bank), 0.05
    north = place_m[0] + case.tas_mps * STRAIGHT_S * math.cos(heading_rad)
    east = place_m[1] + case.tas_mps * STRAIGHT_S * math.sin(heading_rad)
    for step in range(round(abs(bank) / rate / dt_s)):
        heading_rad += way * G0_MPS2 * math.tan(step * dt_s * rate) / case.tas_mps * dt_s
        north += case.tas_mps * math.cos(heading_rad) * dt_s
        east += case.tas_mps * math.sin(heading_rad) * dt_s
    radius_m = turn_radius_m(case.tas_mps, bank)
    north += radius_m * math.cos(heading_rad + way * math.pi / 2.0) + case.offset_m * math.cos(
        case.towards_rad
    )
    east += radius_m * math.sin(heading_rad + way * math.pi / 2.0) + case.offset_m * math.sin(
        case.towards_rad
    )
    return north, east


def climb_mps(flown: Flown) -> float:
    """Mean gain of total energy after the roll-in began."""
    truth = flown.truth
    return float(np.mean(truth["vario_mps"][truth["t_s"] > PRELUDE_S + STRAIGHT_S]))


def first_offset_m(flown: Flown) -> float:
    """How far the core lies from the middle of the first full turn."""
    truth = flown.truth
    begin = int(np.argmax(truth["t_s"] > PRELUDE_S + STRAIGHT_S + 5.0))
    heading = np.unwrap(truth["heading_rad"])
    turned = np.abs(heading - heading[begin])
    end = int(np.argmax(turned >= math.tau))
    places = np.stack([truth["north_m"], truth["east_m"]], axis=1) - flown.core_m
    return float(np.hypot(*np.mean(places[begin:end], axis=0)))


FLIGHT_CODE = ("drivers/*.py", "vario/flight/**/*.py", "vario/settings/*.py", "vario/app/replay/player.py")
BENCH_CODE = ("tests/support/pilot_*.py", "tests/support/truth_*.py")


@dataclass(frozen=True, slots=True)
class Without:
    """The two pilots without the instrument: climbs, m/s, and the offset of the core as flown."""

    offset_m: float
    none_mps: float
    knows_mps: float


@dataclass(frozen=True, slots=True)
class Heard:
    """The pilot by ear: climb, what was obeyed, wrong cues before, calls to turn in the circle, told shifts
    against truth.
    """

    ear_mps: float
    obeyed: tuple[str, ...]
    wrong: int
    turn_calls: int
    shifts: tuple[tuple[float, float, float, float], ...]
    """True distance, told distance, error and stated sigma, m, at each new shift."""


@dataclass(frozen=True, slots=True)
class Result:
    """A case flown by all three pilots."""

    seed: int
    without: Without
    heard: Heard

    @property
    def gain_mps(self) -> float:
        """By ear against no cue."""
        return self.heard.ear_mps - self.without.none_mps


@dataclass(frozen=True, slots=True)
class Shelf:
    """Where results are kept: folders named by the code that made them, as it was when the run began."""

    without: Path
    instrument: Path

    @classmethod
    def below(cls, folder: Path) -> Shelf:
        """The folders of the present code."""
        return cls(folder / digest(*BENCH_CODE), folder / digest(*BENCH_CODE, *FLIGHT_CODE))


def judge(seed: int, shelf: Shelf) -> Result:
    """All three pilots on one case; a flight that is kept is not repeated."""
    without = kept(shelf.without / f"{seed}.json", lambda: asdict(fly_without(seed)))
    heard = kept(shelf.instrument / f"{seed}.json", lambda: asdict(fly_by_ear(seed)))
    return Result(seed, Without(**without), Heard(**heard))


def kept(path: Path, work: Callable[[], dict[str, object]]) -> dict[str, Any]:
    """The result in the file; worked out and written if there is none."""
    made_once(path, lambda part: part.write_text(json.dumps(work()), encoding="utf-8"))
    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return found


def fly_without(seed: int) -> Without:
    """The pilot who hears nothing, and the one who knows the core."""
    case = draw(seed)
    none = fly_loop(scene_of(case), case.glider, Constant(case.habits), seed, core_of(case))
    knower = KnowsCore(case.habits, case.tas_mps)
    knows = fly_loop(scene_of(case), case.glider, knower, seed, core_of(case))
    return Without(first_offset_m(none), climb_mps(none), climb_mps(knows))


def fly_by_ear(seed: int) -> Heard:
    """The pilot who acts on the cues."""
    case = draw(seed)
    ear = ByEar(case.habits, seed)
    player = Player(Pipeline(Settings(), GLIDERS[case.glider], NOISE))
    watch = told_shift(case)
    flown = fly_loop(scene_of(case), case.glider, ear, seed, core_of(case), player=player, watch=watch)
    return Heard(
        climb_mps(flown),
        tuple(f"{t - PRELUDE_S - STRAIGHT_S:.0f} s {cue}" for t, cue in ear.obeyed),
        ear.before,
        ear.turn_calls,
        tuple(flown.kept),  # type: ignore[arg-type]
    )


def core_of(case: Case) -> Callable[[tuple[float, float], float], tuple[float, float]]:
    """`place_core` for `fly_loop`."""
    return lambda place_m, heading_rad: place_core(case, place_m, heading_rad)


def told_shift(case: Case) -> Callable[[Reading, Seen], object | None]:
    """A watcher that sets each new shift against the truth while the bank is that of the circle."""
    last: list[object] = [None]

    def watch(reading: Reading, seen: Seen) -> tuple[float, float, float, float] | None:
        shift = reading.thermal.shift
        if shift is None or shift is last[0] or not shift.from_north:
            return None
        last[0] = shift
        bank = case.habits.bank_rad
        if abs(seen.bank_rad - bank) > math.radians(5.0):
            return None
        radius_m = turn_radius_m(seen.tas_mps, seen.bank_rad)
        normal = seen.heading_rad + math.copysign(math.pi / 2.0, bank)
        north = seen.to_core_m[0] - radius_m * math.cos(normal)
        east = seen.to_core_m[1] - radius_m * math.sin(normal)
        error_m = math.hypot(
            shift.distance_m * math.cos(shift.bearing_rad) - north,
            shift.distance_m * math.sin(shift.bearing_rad) - east,
        )
        return math.hypot(north, east), shift.distance_m, error_m, shift.sigma_m

    return watch
