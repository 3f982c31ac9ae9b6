"""Score the airbrakes on drawn flights: `python -m tests.bench.airbrakes`; see `airbrake_flights`.

The result of each flight is kept below `--results`, in a folder named by the code that made it.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import asdict
from pathlib import Path

from rich.console import Console

from tests.support.airbrake_flights import Judged, fly
from tests.support.once import digest
from tests.support.pilot_cases import FLIGHT_CODE, kept

SEEDS = range(8810, 8816)
"""Scored; nothing was chosen on them."""

CODE = (
    "tests/support/truth_*.py",
    "tests/support/estimator_*.py",
    "tests/support/airbrake_flights.py",
    *FLIGHT_CODE,
)


def main() -> None:
    """Fly what is not kept yet, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=Path, default=Path("out/bench-airbrakes"))
    parser.add_argument("--seeds", type=int, nargs="+", default=list(SEEDS))
    arguments = parser.parse_args()
    folder: Path = arguments.results / digest(*CODE)
    console = Console(width=150, highlight=False)
    flown: list[Judged] = []
    for seed in arguments.seeds:
        found = kept(folder / f"{seed}.json", lambda seed=seed: asdict(fly(seed, arguments.results)))  # type: ignore[misc]
        flown.append(Judged(**found))
        console.print(f"{seed}: {flown[-1]}")
    found_s = [value for j in flown for value in j.found_s]
    back_s = [value for j in flown for value in j.back_s]
    sums = {name: sum(getattr(j, name) for j in flown) for name in ("told_s", "open_s", "silent_s", "sink_s")}
    console.print(
        f"{len(found_s)} of {len(found_s) + sum(j.missed for j in flown)} openings found, after"
        f" {min(found_s, default=math.nan):.1f} to {max(found_s, default=math.nan):.1f} s;"
        f" speed to fly for {sums['told_s']:.0f} of {sums['open_s']:.0f} s with airbrakes,"
        f" again {max(back_s, default=math.nan):.1f} s after closing at most;"
        f" false silence for {sums['silent_s']:.1f} of {sums['sink_s']:.0f} s of sink,"
        f" {sum(j.other_silent_s for j in flown):.1f} s elsewhere"
    )


if __name__ == "__main__":
    main()
