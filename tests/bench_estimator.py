"""How well the estimator flies: `make bench-estimator`.

Gliders of a general flight-dynamics library fly each scene (`truth_air`) on seeds that nothing was tuned on.
The readings go through the whole pipeline as in flight, and what comes out is set against the truth, beside a
plain two-state filter on the same sensors and beside what a smoother could know afterwards
(`bench_references`).

Errors are RMS over the scene after its 75 s of ordinary flying, against the gust-free total energy (vario)
and the rise of the air (netto); "best @ lag" after taking out the lag given. A dash: not known in every
flight.

Attitude, with gyros 0.5 °/s and accelerometers 0.05 m/s² off and the instrument 2° askew, is given three
times: what the instrument says as fitted, against its own axes (what the estimator can know) and against the
glider's (the mounting error is in it); and after `vario calibrate level` on the ground (`levelled`), against
the glider's. The bars are on the last.
"""

from __future__ import annotations

import argparse
import hashlib
import math
import os
import tempfile
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from itertools import repeat
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from drivers import isa
from tests import truth_air, truth_flight
from tests.bench_references import offline_bound, two_state
from tests.levelled import attitude_errors_deg, levelled
from tests.truth_flight import RATE_HZ, Flight, fly
from tests.truth_gliders import GLIDERS
from vario.app.player import play
from vario.flight.core.polar import QuadraticPolar, true_scale
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.schema import Settings

Floats = NDArray[np.float64]

SCENES = {
    "speed_changes": "speed changes, still air",
    "streets": "streets of lift and sink",
    "gust_steps": "horizontal gusts of ±4 m/s",
    "turbulence": "strong turbulence",
    "thermal": "20 turns in a thermal, 6 m/s wind",
}

FLIGHTS = (("sgs126", 301), ("sgs233", 302), ("sgs126", 303), ("sgs233", 304))
"""Glider and seed. Constants are tuned on seeds below 300."""

PITCH_BAR_DEG, BANK_BAR_DEG = 0.5, 1.5

LONGEST_LAG_S = 1.5
STEP_S = 0.02


@dataclass(frozen=True, slots=True)
class Score:
    """What one flight or the mean of several scored. None: the pipeline did not say.

    Speeds m/s, lags s, angles degrees; `*_best` after removing `*_lag_s`. `peak` is the largest error,
    `frame_us` the computing time of a frame of 20 ms.
    """

    vario: float | None = None
    vario_best: float | None = None
    vario_lag_s: float | None = None
    vario_mean: float | None = None
    peak: float | None = None
    netto: float | None = None
    netto_best: float | None = None
    netto_lag_s: float | None = None
    simple: float | None = None
    simple_best: float | None = None
    simple_lag_s: float | None = None
    simple_peak: float | None = None
    simple_netto: float | None = None
    bound: float | None = None
    pitch_deg: float | None = None
    bank_deg: float | None = None
    box_pitch_deg: float | None = None
    box_bank_deg: float | None = None
    level_pitch_deg: float | None = None
    level_bank_deg: float | None = None
    wind_1: float | None = None
    wind_3: float | None = None
    frame_us: float | None = None


def main() -> None:
    """Fly every scene and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scene", choices=SCENES, action="append", help="only this scene (may be repeated)")
    parser.add_argument("--cache", type=Path, default=_cache(), help="where finished flights are kept")
    arguments = parser.parse_args()
    scenes = arguments.scene or list(SCENES)
    jobs = [(scene, glider, seed) for scene in scenes for glider, seed in FLIGHTS]
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        scores = list(pool.map(_score, jobs, repeat(arguments.cache)))
    of_scene = {
        scene: [score for (name, _, _), score in zip(jobs, scores, strict=True) if name == scene]
        for scene in scenes
    }
    _print({scene: _mean(found) for scene, found in of_scene.items()})
    for scene, found in of_scene.items():
        _print_wind(scene, found)


def _cache() -> Path:
    """A folder in the temporary one that is another as soon as the rig changes."""
    rig = b"".join(Path(module.__file__ or "").read_bytes() for module in (truth_air, truth_flight))
    return Path(tempfile.gettempdir()) / f"vario_truth_{hashlib.sha256(rig).hexdigest()[:12]}"


def _score(job: tuple[str, str, int], cache: Path) -> Score:
    scene, glider, seed = job
    flight = fly(scene, glider, seed, cache)
    settings = Settings()
    pipeline = Pipeline(settings, GLIDERS[glider], Noise(baro_pa=1.2, pitot_pa=0.5))
    samples = list(flight.samples())
    start_s = time.process_time()
    readings = list(play(samples, pipeline))
    spent_s = time.process_time() - start_s
    pitch_deg, bank_deg = attitude_errors_deg(flight, glider, levelled(flight))
    found = score(flight, glider, readings, spent_s / len(readings) * 1e6)
    return replace(found, level_pitch_deg=pitch_deg, level_bank_deg=bank_deg)


def score(flight: Flight, glider: str, readings: Sequence[Reading], frame_us: float) -> Score:
    """Readings of a flight against its truth."""
    # A reading is about its end; row k of the truth is at (k + 1)/100 s.
    rows = np.round(np.array([r.t_s for r in readings]) * RATE_HZ).astype(np.int64) - 1
    within = rows < len(flight.truth)
    readings = [r for r, inside in zip(readings, within.tolist(), strict=True) if inside]
    truth = flight.truth[rows[within]]
    scored = truth["t_s"] > flight.score_from_s
    vario = _error_of((r.energy.vario_mps for r in readings), truth["vario_mps"], scored)
    netto = _error_of((r.air.netto_mps for r in readings), truth["air_up_mps"], scored)
    simple, simple_netto, bound = _references(flight, glider)
    pitch = _values(r.attitude.pitch_rad if r.attitude else None for r in readings)
    bank = _values(r.attitude.bank_rad if r.attitude else None for r in readings)
    box_pitch, box_bank = (angle[rows[within]] for angle in flight.instrument_attitude())
    wind = _wind_after(flight, readings) if flight.scene == "thermal" else (None, None)
    return Score(
        *vario[:5],
        *netto[:3],
        *simple[:3],
        simple[4],
        simple_netto,
        bound,
        _degrees(pitch - truth["pitch_rad"], scored),
        _degrees(bank - truth["bank_rad"], scored),
        _degrees(pitch - box_pitch, scored),
        _degrees(bank - box_bank, scored),
        wind_1=wind[0],
        wind_3=wind[1],
        frame_us=frame_us,
    )


def _error_of(
    values: Iterable[float | None], truth: Floats, scored: NDArray[np.bool_]
) -> tuple[float | None, ...]:
    """RMS, RMS at the best lag, that lag, mean error and the largest error; None without values."""
    found = _values(values)
    if not np.any(np.isfinite(found[scored])):
        return (None,) * 5
    error = (found - truth)[scored]
    value, wanted = found[scored], truth[scored]
    lags = range(round(LONGEST_LAG_S / STEP_S) + 1)
    shifted = [_rms(value[k:] - wanted[: len(wanted) - k]) or 0.0 for k in lags]
    best = int(np.argmin(shifted))
    return (
        _rms(error),
        shifted[best],
        best * STEP_S,
        float(np.nanmean(error)),
        float(np.nanmax(np.abs(error))),
    )


def _references(flight: Flight, glider: str) -> tuple[tuple[float | None, ...], float | None, float | None]:
    """The two-state filter: its vario's scores and its netto's RMS; the bound's RMS."""
    every = RATE_HZ // flight.air_hz
    truth = flight.truth[every - 1 :: every]
    scored = truth["t_s"] > flight.score_from_s
    vario = two_state(flight)
    polar = QuadraticPolar.of(GLIDERS[glider])
    load = -flight.imu[:, 2].reshape(-1, every).mean(axis=1) / isa.G0_MPS2
    sink = np.empty(len(vario))
    for i, (impact, static, n) in enumerate(
        zip(flight.pitot_pa.tolist(), flight.baro_pa.tolist(), load.tolist(), strict=True)
    ):
        air_k = isa.temperature_k(isa.altitude_m(static))
        scale = true_scale(isa.density_kgpm3(static, air_k))
        sink[i] = scale * polar.sink_loaded_mps(isa.cas_mps(impact), n)
    netto = _rms((vario + sink - truth["air_up_mps"])[scored])
    scores = _error_of(vario.tolist(), truth["vario_mps"], scored)
    return scores, netto, _rms((offline_bound(flight) - truth["vario_mps"])[scored])


def _wind_after(flight: Flight, readings: Sequence[Reading]) -> tuple[float | None, float | None]:
    """Error of the wind once one and three circles have been flown, m/s."""
    truth = flight.truth[flight.truth["t_s"] > flight.score_from_s]
    north, east = float(np.mean(truth["air_north_mps"])), float(np.mean(truth["air_east_mps"]))
    turned = np.abs(np.unwrap(truth["heading_rad"]) - truth["heading_rad"][0]) / math.tau
    errors: list[float | None] = []
    for circles in (1.0, 3.0):
        at_s = float(truth["t_s"][int(np.argmax(turned >= circles))])
        wind = next(r.wind for r in readings if r.t_s >= at_s)
        errors.append(wind and math.hypot(wind.north_mps - north, wind.east_mps - east))
    return errors[0], errors[1]


def _values(values: Iterable[float | None]) -> Floats:
    return np.array([math.nan if value is None else value for value in values])


def _degrees(error_rad: Floats, scored: NDArray[np.bool_]) -> float | None:
    """RMS of an angle's error."""
    return _rms(np.degrees((error_rad[scored] + math.pi) % math.tau - math.pi))


def _rms(error: Floats) -> float | None:
    known = error[np.isfinite(error)]
    return float(np.sqrt(np.mean(known**2))) if known.size else None


def _mean(scores: Sequence[Score]) -> Score:
    """The mean over flights, of what is known in each of them."""
    means = []
    for field in fields(Score):
        known = [value for value in (getattr(score, field.name) for score in scores) if value is not None]
        means.append(float(np.mean(known)) if len(known) == len(scores) else None)
    return Score(*means)


def _print(rows: dict[str, Score]) -> None:
    console = Console(width=150, highlight=False)
    flights = ", ".join(f"{glider} {seed}" for glider, seed in FLIGHTS)
    console.print(f"means of {len(FLIGHTS)} flights ({flights}); m/s, no lag removed unless said")
    table = Table(box=None, pad_edge=False)
    table.add_column("scene", no_wrap=True)
    columns = ("vario", "best @ lag", "mean", "peak", "2-state", "best @ lag", "peak", "bound")
    for column in (*columns, "netto", "best @ lag", "2-state"):
        table.add_column(column, justify="right", no_wrap=True)
    for scene, s in rows.items():
        table.add_row(
            SCENES[scene],
            _show(s.vario),
            f"{_show(s.vario_best)} @ {_show(s.vario_lag_s)}",
            _show(s.vario_mean, "+.2f"),
            _show(s.peak, ".1f"),
            _show(s.simple),
            f"{_show(s.simple_best)} @ {_show(s.simple_lag_s)}",
            _show(s.simple_peak, ".1f"),
            _show(s.bound),
            _show(s.netto),
            f"{_show(s.netto_best)} @ {_show(s.netto_lag_s)}",
            _show(s.simple_netto),
        )
    console.print(table)
    console.print(
        "\nattitude, degrees RMS, against the instrument's own axes, against the glider's as fitted,"
        f" and after vario calibrate level (bars: pitch {PITCH_BAR_DEG}, bank {BANK_BAR_DEG})"
    )
    table = Table(box=None, pad_edge=False)
    table.add_column("scene", no_wrap=True)
    for angle in ("pitch", "bank"):
        for column in ("own", "fitted", "levelled"):
            table.add_column(f"{angle}, {column}", justify="right", no_wrap=True)
    table.add_column("µs a frame", justify="right", no_wrap=True)
    for scene, s in rows.items():
        table.add_row(
            SCENES[scene],
            _show(s.box_pitch_deg),
            _show(s.pitch_deg),
            _against(s.level_pitch_deg, PITCH_BAR_DEG),
            _show(s.box_bank_deg),
            _show(s.bank_deg),
            _against(s.level_bank_deg, BANK_BAR_DEG),
            _show(s.frame_us, ".0f"),
        )
    console.print(table)


def _print_wind(scene: str, scores: Sequence[Score]) -> None:
    """How far off the wind is once circles have been flown, in the flights that know it by then."""
    for circles, errors in (
        ("one circle", [s.wind_1 for s in scores]),
        ("three circles", [s.wind_3 for s in scores]),
    ):
        known = [error for error in errors if error is not None]
        if known:
            Console(highlight=False).print(
                f"{SCENES[scene]}: wind {np.mean(known):.2f} m/s off after {circles}, at most"
                f" {max(known):.2f} (known in {len(known)} of {len(errors)})",
                soft_wrap=True,
            )


def _against(value: float | None, bar: float) -> str:
    """The value, and a word where it misses its bar."""
    return _show(value) + (" missed" if value is not None and value > bar else "")


def _show(value: float | None, form: str = ".2f") -> str:
    return "–" if value is None else format(value, form)


if __name__ == "__main__":
    main()
