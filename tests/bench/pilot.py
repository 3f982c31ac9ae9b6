"""Measure the gain of climb by a pilot who acts on the centring cue: `make bench-pilot`.

Each case is flown by gliders of a general flight-dynamics library with the instrument in the loop at 50 Hz
(`pilot_loop`), by three pilots (`pilot_ears`) with one difference: the first holds the bank, the second acts
on the cues, the third knows the core. Thermal, wind, turbulence, place of the core, bank, roll rate and
reaction time are drawn from the seed of the case. The climb is the mean true gain of total energy over the
120 s after the roll-in.

Updrafts: Gaussian with sink around it, W·exp(−d²/R²) − sink, and every fourth the profile of M. J. Allen
(AIAA 2006-1510, see `truth_thermal`) with the same strength and radius.
"""

from __future__ import annotations

import argparse
import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from rich.console import Console
from rich.table import Table

from tests.support.pilot_calls import STEP_S, Crossing, calls, crossing, gusts, measured
from tests.support.pilot_ears import ByEar, Constant, Habits, KnowsCore
from tests.support.pilot_loop import STRAIGHT_S, Flown, LoopScene, Seen, fly_loop, turn_radius_m
from tests.support.truth_air import PRELUDE_S, Wish
from tests.support.truth_flight import G0_MPS2
from tests.support.truth_gliders import GLIDERS
from tests.support.truth_thermal import Updraft, allen, gaussian
from vario.app.replay.player import Player
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.schema import Settings

CHOSEN_ON = range(7000, 7040)
"""Seeds on which constants were chosen."""
SCORED_ON = range(7100, 7148)
"""Seeds that are scored; they were fixed before the first score, and nothing was chosen on them."""

CALLS_CHOSEN_ON = range(7400, 7430)
CALLS_SCORED_ON = range(7500, 7530)
HOURS = 3
"""Duration of gusts of 1 m/s, on the stage alone."""

SCORE_S = 120.0
NOISE = Noise(baro_pa=1.2, pitot_pa=0.5)


@dataclass(frozen=True, slots=True)
class Case:
    """The drawn parameters. `offset_m` and `towards_rad`: intended position of the core relative to the
    middle of the first circle.
    """

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
    """Distance of the core from the middle of the first full turn."""
    truth = flown.truth
    begin = int(np.argmax(truth["t_s"] > PRELUDE_S + STRAIGHT_S + 5.0))
    heading = np.unwrap(truth["heading_rad"])
    turned = np.abs(heading - heading[begin])
    end = int(np.argmax(turned >= math.tau))
    places = np.stack([truth["north_m"], truth["east_m"]], axis=1) - flown.core_m
    return float(np.hypot(*np.mean(places[begin:end], axis=0)))


@dataclass(frozen=True, slots=True)
class Result:
    """Climbs of the three pilots, m/s; the offset as flown; the cues obeyed; advised shifts and truth."""

    seed: int
    offset_m: float
    none_mps: float
    ear_mps: float
    knows_mps: float
    obeyed: tuple[str, ...]
    wrong: int
    shifts: tuple[tuple[float, float, float, float], ...]
    """True distance, advised distance, error and stated sigma, m, at each new shift."""


def judge(seed: int, settings: Settings | None = None) -> Result:
    """Fly one case with all three pilots."""
    case = draw(seed)

    def place(place_m: tuple[float, float], heading_rad: float) -> tuple[float, float]:
        return place_core(case, place_m, heading_rad)

    none = fly_loop(scene_of(case), case.glider, Constant(case.habits), seed, place)
    knows = fly_loop(scene_of(case), case.glider, KnowsCore(case.habits, case.tas_mps), seed, place)
    ear = ByEar(case.habits, seed)
    player = Player(Pipeline(settings or Settings(), GLIDERS[case.glider], NOISE))
    flown = fly_loop(scene_of(case), case.glider, ear, seed, place, player=player, watch=told_shift(case))
    return Result(
        seed,
        first_offset_m(none),
        climb_mps(none),
        climb_mps(flown),
        climb_mps(knows),
        tuple(f"{t - PRELUDE_S - STRAIGHT_S:.0f} s {cue}" for t, cue in ear.obeyed),
        ear.before,
        tuple(flown.kept),  # type: ignore[arg-type]
    )


def told_shift(case: Case) -> Callable[[Reading, Seen], object | None]:
    """A watcher that compares each new shift with the truth while the bank is that of the circle."""
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


def main() -> None:
    """Fly the cases and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chosen", action="store_true", help="the seeds that constants were chosen on")
    parser.add_argument("--cases", type=int, default=None, help="only so many")
    arguments = parser.parse_args()
    seeds = (CHOSEN_ON if arguments.chosen else SCORED_ON)[: arguments.cases]
    crossings = (CALLS_CHOSEN_ON if arguments.chosen else CALLS_SCORED_ON)[: arguments.cases]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        results = list(pool.map(judge, seeds))
        report(results)
        report_calls(list(pool.map(crossing, crossings)))


def report(results: Sequence[Result]) -> None:
    """The table of cases and the bars."""
    console = Console(width=150, highlight=False)
    table = Table(box=None, pad_edge=False)
    for column in ("seed", "core off, m", "no cue", "by ear", "knows", "gain", "acted on"):
        table.add_column(column, justify="left" if column == "acted on" else "right")
    for r in results:
        table.add_row(
            str(r.seed),
            f"{r.offset_m:.0f}",
            f"{r.none_mps:.2f}",
            f"{r.ear_mps:.2f}",
            f"{r.knows_mps:.2f}",
            f"{r.ear_mps - r.none_mps:+.2f}",
            ", ".join(r.obeyed),
        )
    console.print(table)
    for name, low, high in (("within 30 m", 0.0, 30.0), ("30 to 60 m", 30.0, 60.0), ("over 60 m", 60.0, 1e9)):
        part = [r for r in results if low <= r.offset_m < high]
        if not part:
            continue
        gains = np.array([r.ear_mps - r.none_mps for r in part])
        knows = np.array([r.knows_mps - r.none_mps for r in part])
        console.print(
            f"core {name}: {len(part)} cases, gain {gains.mean():+.2f} m/s (least {gains.min():+.2f}),"
            f" better in {np.mean(gains > 0):.0%}, worse by over 0.2 in {np.sum(gains < -0.2)};"
            f" who knows the core {knows.mean():+.2f}: {gains.sum() / max(knows.sum(), 1e-9):.0%} of it"
        )
    wrong = sum(r.wrong for r in results)
    console.print(f"cues in the {2 * len(results)} turns without a thermal before: {wrong}")
    shifts = np.array([s for r in results for s in r.shifts])
    for low, high in ((0.0, 40.0), (40.0, 80.0), (80.0, 110.0), (110.0, 999.0)):
        part = shifts[(shifts[:, 0] >= low) & (shifts[:, 0] < high)]
        if len(part):
            ratio = part[:, 2] / (math.sqrt(2.0) * part[:, 3])
            console.print(
                f"shift where the core is {low:.0f} to {high:.0f} m off: {len(part)} told,"
                f" told {part[:, 1].mean():.0f} m,"
                f" {np.sqrt(np.mean(part[:, 2] ** 2)):.0f} m off, stated {part[:, 3].mean():.0f} m an axis,"
                f" error over stated {np.sqrt(np.mean(ratio**2)):.2f}"
            )


def report_calls(found: Sequence[Crossing]) -> None:
    """Print when the cue for turning came."""
    worth = [c for c in found if c.worthwhile]
    before = [c.before_m for c in worth if c.before_m is not None]
    rest = [c for c in found if not c.worthwhile]
    rng = np.random.default_rng(19)
    false = len(calls(measured(rng, gusts(rng, round(HOURS * 3600 / STEP_S), 1.0)).tolist()))
    Console(width=150, highlight=False).print(
        f"turning: {len(before)} of {len(worth)} worthwhile thermals called, median"
        f" {np.median(before) if before else math.nan:.0f} m before the core; of {len(rest)} weaker ones"
        f" {sum(c.before_m is not None for c in rest)}; in gusts of 1 m/s {false / HOURS:.1f} calls an hour"
    )


if __name__ == "__main__":
    main()
