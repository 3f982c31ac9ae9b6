"""Measure the detection of circling and climbs: `python -m tests.bench.circling [FILE.igc ...]`.

* On recordings (FAI/IGC or any other with positions): climbs found and false circling, compared with the
  twenty-second counter of `plain_turns`.
* On simulated flights of known truth, on seeds that nothing was tuned on: the direction of the strongest
  lift, and the climb shown before turning against the climb then achieved (`circling_bars`).
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from rich.console import Console

from drivers.samples import GnssPos
from hw_replay.open import open_source
from tests.support.circling_bars import direction_errors, expected_and_achieved
from tests.support.plain_turns import PlainTurns, Verdict, judge
from tests.support.rms import rms
from vario.app.replay.player import noise_of, play
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

DIRECTION_SEEDS = range(481, 489)
EXPECTED_SEEDS = range(5101, 5133)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="*", type=Path, help="recordings with positions")
    parser.add_argument("--only-files", action="store_true", help="no simulated flights")
    arguments = parser.parse_args()
    console = Console(highlight=False, soft_wrap=True)
    for path in arguments.files:
        console.print(said_of(path.name, judged(path)))
    if not arguments.only_files:
        with ProcessPoolExecutor(os.cpu_count()) as pool:
            _simulated(console, pool)


def judged(path: Path) -> Verdict:
    """Compare the circling of the instrument in a recording with that of the plain counter."""
    source = open_source(path)
    samples = list(source)
    pipeline = Pipeline(Settings(), None, noise_of(Settings(), source.info))
    circling = [(r.t_s, r.mode is Mode.CIRCLING) for r in play(samples, pipeline)]
    return judge(PlainTurns(s for s in samples if isinstance(s, GnssPos)), circling)


def said_of(name: str, v: Verdict) -> str:
    """One line of results."""
    return (
        f"{name}: {v.found} of {v.climbs} climbs of two turns or more found; "
        f"{v.episodes} times circling in {v.flown_s / 3600.0:.1f} h, "
        f"{v.false} without three quarters of a turn ({v.false_per_hour:.2f} an hour), "
        f"{v.broken_off} broken off before a full one"
    )


def _simulated(console: Console, pool: ProcessPoolExecutor) -> None:
    for turbulence_mps, air in ((0.0, "smooth"), (0.3, "bumpy")):
        for glider_file, known in ((True, "with"), (False, "without")):
            measure = partial(direction_errors, turbulence_mps=turbulence_mps, glider_file=glider_file)
            errors = np.concatenate(list(pool.map(measure, DIRECTION_SEEDS)))
            console.print(
                f"direction of the strongest lift, {air} air, {known} a glider file: {rms(errors):.1f}° RMS "
                f"(bar 10°), mean {np.mean(errors):+.1f}° (+: late in the turn), "
                f"{len(errors)} readings of {3 * len(DIRECTION_SEEDS)} flights"
            )
    shown, achieved = np.array(list(pool.map(expected_and_achieved, EXPECTED_SEEDS))).T
    console.print(
        f"expected climb before turning less the climb achieved: {rms(shown - achieved):.2f} m/s RMS, "
        f"mean {np.mean(shown - achieved):+.2f}, {len(shown)} thermals"
    )


if __name__ == "__main__":
    main()
