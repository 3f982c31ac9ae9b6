"""Measure the approach and the advice on a slow turn on drawn flights: `python -m tests.bench.approach`.

`approach_flights` and `slow_circling` have the flights. The result of each is kept in `--results`, below a
folder named by the code that made it, so that a run continues where another ended.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from rich.console import Console

from tests.support.approach_flights import Judged, approach
from tests.support.once import digest
from tests.support.pilot_cases import FLIGHT_CODE, kept
from tests.support.slow_circling import Advised, circle
from tests.support.truth_gliders import GLIDERS
from vario.settings.glider import Glider
from vario.settings.load import load_glider

APPROACHES = range(8600, 8624)
CIRCLES = range(8640, 8648)
"""Seeds that are scored; nothing was chosen on them."""

CODE = (
    "tests/support/point_mass.py",
    "tests/support/approach_flights.py",
    "tests/support/slow_circling.py",
    "tests/support/truth_gliders.py",
    "config/gliders/*.toml",
    *FLIGHT_CODE,
)


def main() -> None:
    """Fly what is not kept yet, and print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=Path, default=Path("out/bench-approach"))
    parser.add_argument("--flights", type=int, default=None, help="only so many")
    arguments = parser.parse_args()
    folder: Path = arguments.results / digest(*CODE)
    console = Console(width=150, highlight=False)

    def result(seed: int, work: Callable[[int, Glider], Judged | Advised]) -> dict[str, object]:
        return kept(folder / f"{seed}.json", lambda: asdict(work(seed, glider_of(seed))))

    flown = {seed: Judged(**result(seed, approach)) for seed in APPROACHES[: arguments.flights]}  # type: ignore[arg-type]
    for seed, j in flown.items():
        console.print(f"{seed} {glider_of(seed).name}: {j.said()}")
    told = [j.told_s for j in flown.values() if j.told_s is not None]
    console.print(
        f"approach told in {len(told)} of {len(flown)}, at most {max(told, default=math.nan):.1f} s"
        " after the airbrakes;"
        f" speed to fly for {sum(j.commanded_s for j in flown.values()):.0f} of"
        f" {sum(j.braked_s for j in flown.values()):.0f} s with airbrakes; approach above 300 m in"
        f" {sum(j.false_s > 0.0 for j in flown.values())}; of {sum(j.low_climb for j in flown.values())} low"
        f" climbs {sum(j.saved_s is not None for j in flown.values())} end it"
    )
    for seed in CIRCLES[: arguments.flights]:
        console.print(f"{seed} {glider_of(seed).name}: {Advised(**result(seed, circle)).said()}")  # type: ignore[arg-type]


def glider_of(seed: int) -> Glider:
    """Two invented gliders and the two of the flight-dynamics library, in turns."""
    files = sorted(Path("config/gliders").glob("*.toml"))
    gliders = [*(load_glider(path) for path in files), *GLIDERS.values()]
    return gliders[seed % len(gliders)]


if __name__ == "__main__":
    main()
