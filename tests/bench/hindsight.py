"""How near the vario in hindsight is to the truth: `python -m tests.bench.hindsight`.

Flights of a general flight-dynamics library with simulated sensors, as in `tests.bench.estimator`. For each
flight and each set of sensors: RMS error and lag of the live vario and of the vario in hindsight against the
truth (total energy without horizontal gusts), and the RMS of live against hindsight, which is all that a
real flight tells.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from rich.console import Console

from drivers.samples import Baro, ImuAccel, ImuGyro, Pitot, Sample
from tests.bench.estimator import SCENES, flight_cache
from tests.support.estimator_flights import Run, described, fly
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.app.hindsight.hindsight import Hindsight, Series, distance
from vario.app.replay.player import play
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

SEEDS = (9001, 9002)
"""Nothing was chosen on them."""

_LINE = "{:36}{:6}{:22}{:>14}{:>14}{:>14}"


def main() -> None:
    """Fly and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scene", choices=SCENES, action="append", help="only this scene (may be repeated)")
    parser.add_argument("--seed", type=int, action="append", help="only this seed (may be repeated)")
    parser.add_argument("--sensors", choices=SENSORS, action="append", help="only these (may be repeated)")
    parser.add_argument("--cache", type=Path, default=flight_cache(), help="where flights are kept")
    arguments = parser.parse_args()
    console = Console(width=110, highlight=False)
    console.print(_LINE.format("scene", "seed", "sensors", "live", "hindsight", "live–hind."))
    for scene in arguments.scene or SCENES:
        for seed in arguments.seed or SEEDS:
            run = fly(scene, _glider(seed), seed, arguments.cache, described)
            for sensors in arguments.sensors or SENSORS:
                cells = measured(run, seed, sensors)
                console.print(_LINE.format(SCENES[scene], seed, sensors, *cells))


def measured(run: Run, seed: int, sensors: str) -> Sequence[str]:
    """RMS error and lag: live and hindsight against the truth, and live against hindsight."""
    pipeline = Pipeline(Settings(), GLIDERS[_glider(seed)], NOISE)
    hindsight = Hindsight()
    pipeline.watch_corrections(hindsight.corrected)
    for reading in play(SENSORS[sensors](run), pipeline):
        hindsight.take(reading)
    end_s = float(run.truth["t_s"][-1])
    live = hindsight.live().between(run.score_from_s, end_s)
    seen = hindsight.series()
    truth = Series(run.truth["t_s"], run.truth["vario_mps"])
    at_live = Series(live.t_s, seen.at(live.t_s))
    known = np.isfinite(at_live.vario_mps)
    at_live = Series(at_live.t_s[known], at_live.vario_mps[known])
    return [_said(live, truth), _said(at_live, truth), _said(live, seen)]


def _glider(seed: int) -> str:
    return ("sgs126", "sgs233")[seed % 2]


def _said(one: Series, reference: Series) -> str:
    found = distance(one, reference)
    if found is None:
        return "–"
    lag = "" if found["lag_s"] is None else f" {found['lag_s']:+.1f} s"
    return f"{found['rms_mps']:.3f}{lag}"


def _each_second(run: Run) -> Iterator[Sample]:
    """What a flight recorder keeps: no inertial unit, pressures once a second."""
    last_s: dict[type[Sample], float] = {}
    for sample in run.samples():
        if isinstance(sample, (ImuAccel, ImuGyro)):
            continue
        if not isinstance(sample, (Baro, Pitot)) or sample.t_s > last_s.get(type(sample), -1.0) + 0.999:
            last_s[type(sample)] = sample.t_s
            yield sample


SENSORS = {
    "all": Run.samples,
    "without GNSS": lambda run: run.samples(gnss=False),
    "1 Hz, no inertial": _each_second,
}

if __name__ == "__main__":
    main()
