"""Measure the errors of the estimator: `make bench-estimator`.

Gliders of a general flight-dynamics library fly each scene of `estimator_flights` with sensors drawn anew
for every flight. The readings go through the whole pipeline as in flight, with default settings. The vario is
compared with the truth (gust-free total energy). On the same sensors are measured: a plain two-state filter,
and, with glider file, the reference design and its fixed-interval smoother (`reference_design`).
`--described` uses a good set of sensors with constant errors, for which the targets are stated; without it
every error of the set is drawn from its range.

Errors are RMS in m/s from the beginning of the scene on, no lag removed: median and worst of the draws.
NEES is the squared error over the squared `vario_sigma_mps`, 1 if the sigma is correct: its mean over the
flights, as the consistency of a filter is judged (Y. Bar-Shalom, X. R. Li and T. Kirubarajan, Estimation with
Applications to Tracking and Navigation, 2001, section 5.4), and that of the worst flight. Wind is the largest
share of time in which its error is beyond twice its sigma.
"""

from __future__ import annotations

import argparse
import math
import os
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console

from tests.bench.reference_design import ReferenceDesign
from tests.bench.references import energy_heights_m, two_state
from tests.support.estimator_flights import Fitted, Run, described, drawn, fly
from tests.support.truth_dynamics import RATE_HZ
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.app.replay.player import play
from vario.flight.estimate.stage import wing_of
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.setup import Setup
from vario.settings.glider import Glider
from vario.settings.schema import Settings

Floats = NDArray[np.float64]

SCENES = {
    "constant": "constant speeds, still air",
    "pull_ups": "dives and pull-ups, still air",
    "streets": "streets of lift and sink",
    "thermal": "thermal, 6 m/s wind",
    "wind_steps": "wind steps of 4 m/s, shear",
    "rough": "rough air, S-turns, search circles",
    "quarter": "a quarter of an hour begun in tow",
}

BARS = {
    "constant": (0.08, 0.10),
    "pull_ups": (0.10, 0.18),
    "streets": (0.08, 0.13),
    "thermal": (0.14, 0.20),
    "wind_steps": (0.15, 0.20),
    "rough": (0.22, 0.25),
    "quarter": (0.17, 0.25),
}
"""RMS of the vario, with and without glider file."""

SEEDS = tuple(range(9601, 9621))
"""These seeds were fixed before anything was scored on them. Constants were chosen on seed 1, and those
without a glider file also on 8000 to 8003, 9521 to 9528 and 9541 to 9547; each seed uses one glider.
"""

_HEADINGS = (
    *("scene", "file", "bar", "median", "worst", "peak", "NEES", "worst", "netto", "worst"),
    *("2-state", "reference", "smoothed", "wind > 2σ"),
)
_LINE = "{:36}{:>5}" + "{:>9}" * 8 + "{:>11}" * 4


@dataclass(frozen=True, slots=True)
class Score:
    """One flight: RMS, largest error, NEES, RMS of netto and of the references, share of bad wind.

    `reference`, `smoothed`: the reference design and its smoother; None without a glider file.
    """

    vario: float
    peak: float
    nees: float
    netto: float | None
    simple: float
    reference: float | None
    smoothed: float | None
    wind_off: float | None


def main() -> None:
    """Fly every scene and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scene", choices=SCENES, action="append", help="only this scene (may be repeated)")
    parser.add_argument("--described", action="store_true", help="the set of sensors the bars are for")
    parser.add_argument("--draws", type=int, default=len(SEEDS), help="how many of the seeds")
    parser.add_argument("--seed", type=int, action="append", help="this seed instead (may be repeated)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes")
    parser.add_argument("--cache", type=Path, default=flight_cache(), help="where finished flights are kept")
    arguments = parser.parse_args()
    draw = described if arguments.described else drawn
    console = Console(width=160, highlight=False)
    console.print(_LINE.format(*_HEADINGS))
    seeds = arguments.seed or SEEDS[: arguments.draws]
    with ProcessPoolExecutor(arguments.jobs) as pool:
        for scene in arguments.scene or SCENES:
            for with_file in (True, False):
                jobs = [(scene, seed, with_file, draw, arguments.cache) for seed in seeds]
                scores = list(pool.map(score, *zip(*jobs, strict=True)))
                console.print(_LINE.format(*_row(scene, scores, with_file=with_file)))


def flight_cache() -> Path:
    """Where flown flights are kept."""
    return Path(tempfile.gettempdir()) / "vario_estimator_flights"


def _row(scene: str, scores: Sequence[Score], *, with_file: bool) -> list[str]:
    varios = [s.vario for s in scores]
    netto = [s.netto for s in scores if s.netto is not None]
    wind = [s.wind_off for s in scores if s.wind_off is not None]
    return [
        SCENES[scene],
        "yes" if with_file else "no",
        f"{BARS[scene][0 if with_file else 1]:.2f}",
        f"{np.median(varios):.3f}",
        f"{max(varios):.3f}",
        f"{max(s.peak for s in scores):.1f}",
        f"{np.mean([s.nees for s in scores]):.1f}",
        f"{max(s.nees for s in scores):.1f}",
        f"{np.median(netto):.3f}" if netto else "–",
        f"{max(netto):.3f}" if netto else "–",
        f"{np.median([s.simple for s in scores]):.2f}",
        *(_median([s.reference for s in scores]), _median([s.smoothed for s in scores])),
        f"{max(wind):.2f}" if wind else "–",
    ]


def _median(values: Sequence[float | None]) -> str:
    known = [value for value in values if value is not None]
    return f"{np.median(known):.3f}" if known else "–"


def score(
    scene: str, seed: int, with_file: bool, draw: Callable[[np.random.Generator], Fitted], cache: Path
) -> Score:
    """Fly one scene and compare it with the truth."""
    glider = ("sgs126", "sgs233")[seed % 2]
    run = fly(scene, glider, seed, cache, draw)
    pipeline = Pipeline(Settings(), GLIDERS[glider] if with_file else None, NOISE)
    readings = [r for r in play(run.samples(), pipeline) if r.t_s <= run.truth["t_s"][-1]]
    rows = np.round(np.array([r.t_s for r in readings]) * RATE_HZ).astype(np.int64) - 1
    truth = run.truth[rows]
    scored = truth["t_s"] > run.score_from_s
    error = (_values(r.energy.vario_mps for r in readings) - truth["vario_mps"])[scored]
    sigma = _values(r.diagnostics.vario_sigma_mps for r in readings)[scored]
    netto = (_values(r.air.netto_mps for r in readings) - truth["air_up_mps"])[scored]
    return Score(
        _rms(error),
        float(np.nanmax(np.abs(error))),
        float(np.nanmean((error / sigma) ** 2)),
        _rms(netto) if np.isfinite(netto).any() else None,
        _two_state(run),
        *(_reference(run, GLIDERS[glider]) if with_file else (None, None)),
        _wind_off(readings, truth, scored),
    )


def _wind_off(
    readings: Sequence[Reading], truth: NDArray[np.void], scored: NDArray[np.bool_]
) -> float | None:
    """Share of the time with a wind in which its error is more than two sigma."""
    off = [
        math.hypot(r.wind.north_mps - north, r.wind.east_mps - east) > 2.0 * r.wind.sigma_mps
        for r, north, east, counts in zip(
            readings, truth["air_north_mps"], truth["air_east_mps"], scored, strict=True
        )
        if r.wind is not None and counts
    ]
    return float(np.mean(off)) if off else None


def _reference(run: Run, glider: Glider) -> tuple[float, float]:
    """RMS of the reference design and of its smoother."""
    wing = wing_of(Setup.of(Settings(), glider, NOISE))
    live, smoothed, rows = ReferenceDesign(run, wing).varios()
    truth = run.truth[rows]
    scored = truth["t_s"] > run.score_from_s
    return tuple(_rms((vario - truth["vario_mps"])[scored]) for vario in (live, smoothed))


def _two_state(run: Run) -> float:
    """RMS of the plain filter on energy height h + V²/2g, at its steady state."""
    rates = two_state(energy_heights_m(*run.air.T), 2.0 / RATE_HZ)
    truth = run.truth[1::2]
    return _rms((rates - truth["vario_mps"])[truth["t_s"] > run.score_from_s])


def _values(values: object) -> Floats:
    return np.array([math.nan if value is None else value for value in values])  # type: ignore[attr-defined]


def _rms(error: Floats) -> float:
    return float(np.sqrt(np.nanmean(error**2)))


if __name__ == "__main__":
    main()
