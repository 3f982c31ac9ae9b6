"""What the centring cue is worth to a pilot who acts on it: `make bench-pilot`.

`pilot_cases` has the cases and the pilots, `pilot_calls` the flights past a thermal. The result of each
flight is kept in `--results`, below a folder named by the code that made it, so that a run continues where
another ended.
"""

from __future__ import annotations

import argparse
import math
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from itertools import repeat
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from tests.support.pilot_calls import STEP_S, Crossing, Turbulent, calls, crossing, gusts, measured, turbulent
from tests.support.pilot_cases import Result, Shelf, judge, kept

CHOSEN_ON = (*range(7000, 7040), *range(7048, 7100))
"""Seeds that constants were chosen on. 7100 to 7147 have been scored with earlier constants."""
SCORED_ON = range(7200, 7248)
"""Seeds that are scored; written down before the first score, nothing was chosen on them."""

CALLS_CHOSEN_ON = (*range(7400, 7430), *range(7500, 7510), *range(7550, 7560))
CALLS_SCORED_ON = range(7700, 7750)
TURBULENT_ON = range(7620, 7640)
HOURS = 3
"""Of gusts of 1 m/s, on the stage alone."""


def main() -> None:
    """Fly the cases that are not kept yet, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chosen", action="store_true", help="the seeds that constants were chosen on")
    parser.add_argument("--cases", type=int, default=None, help="only so many")
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    parser.add_argument(
        "--results", type=Path, default=Path("out/bench-pilot"), help="where results are kept"
    )
    arguments = parser.parse_args()
    seeds = (CHOSEN_ON if arguments.chosen else SCORED_ON)[: arguments.cases]
    crossings = (CALLS_CHOSEN_ON if arguments.chosen else CALLS_SCORED_ON)[: arguments.cases]
    shelf = Shelf.below(arguments.results)
    with ProcessPoolExecutor(arguments.processes) as pool:
        report(list(pool.map(judge, seeds, repeat(shelf))))
        report_calls(list(pool.map(crossed, crossings, repeat(shelf))))
        report_turbulent(list(pool.map(shaken, TURBULENT_ON[: arguments.cases], repeat(shelf))))


def crossed(seed: int, shelf: Shelf) -> Crossing:
    """A flight past a thermal, flown or kept."""
    return Crossing(**kept(shelf.instrument / f"{seed}.json", lambda: asdict(crossing(seed))))


def shaken(seed: int, shelf: Shelf) -> Turbulent:
    """A flight in turbulence, flown or kept."""
    return Turbulent(**kept(shelf.instrument / f"{seed}.json", lambda: asdict(turbulent(seed))))


def report(results: Sequence[Result]) -> None:
    """The table of cases and the bars."""
    console = Console(width=150, highlight=False)
    table = Table(box=None, pad_edge=False)
    for column in ("seed", "core off, m", "no cue", "by ear", "knows", "gain", "acted on"):
        table.add_column(column, justify="left" if column == "acted on" else "right")
    for r in results:
        table.add_row(
            str(r.seed),
            f"{r.without.offset_m:.0f}",
            f"{r.without.none_mps:.2f}",
            f"{r.heard.ear_mps:.2f}",
            f"{r.without.knows_mps:.2f}",
            f"{r.gain_mps:+.2f}",
            ", ".join(r.heard.obeyed),
        )
    console.print(table)
    for name, low, high in (("within 30 m", 0.0, 30.0), ("30 to 60 m", 30.0, 60.0), ("over 60 m", 60.0, 1e9)):
        part = [r for r in results if low <= r.without.offset_m < high]
        if not part:
            continue
        gains = np.array([r.gain_mps for r in part])
        none, knows = (np.array([getattr(r.without, key) for r in part]) for key in ("none_mps", "knows_mps"))
        console.print(
            f"core {name}: {len(part)} cases, no cue {none.mean():.2f}, by ear {(none + gains).mean():.2f},"
            f" knows {knows.mean():.2f}; gain {gains.mean():+.2f} m/s (least {gains.min():+.2f}),"
            f" better in {np.mean(gains > 0):.0%}, worse by over 0.2 in {np.sum(gains < -0.2)};"
            f" who knows gains {(knows - none).mean():+.2f} m/s"
        )
    console.print(f"calls to turn in the circles: {sum(r.heard.turn_calls for r in results)}")
    wrong = sum(r.heard.wrong for r in results)
    console.print(f"cues in the {2 * len(results)} turns without a thermal before: {wrong}")
    shifts = np.array([s for r in results for s in r.heard.shifts])
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
    """When the cue for turning came."""
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


def report_turbulent(found: Sequence[Turbulent]) -> None:
    """The calls of the whole instrument without any thermal."""
    hours = sum(flight.hours for flight in found)
    Console(width=150, highlight=False).print(
        f"turning, whole instrument in gusts of 1 m/s: {sum(f.straight for f in found)} calls in straight"
        f" flight and {sum(f.turning for f in found)} while turning, in {hours:.1f} hours"
    )


if __name__ == "__main__":
    main()
