"""What damping costs the needle and the tone: `python -m tests.bench.damping`.

The vario of the whole instrument on flights of known truth (`truth_flight`), damped with different time
constants: RMS difference to the true vario, the lag at which it fits the truth best, the RMS difference at
that lag, and the RMS rate of change.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from tests.support.rms import rms
from tests.support.truth_air import PRELUDE_S
from tests.support.truth_flight import fly
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.app.replay.player import play
from vario.flight.core.low_pass import LowPass
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

FLIGHTS = (("thermal", "sgs126", 211), ("turbulence", "sgs233", 212))
TIME_CONSTANTS_S = (0.0, 0.1, 0.2, 0.3, 0.5, 1.0)
STEP_S = 0.05


def main() -> None:
    """Print the table."""
    table = Table(box=None)
    for column in (
        "flight",
        "damping, s",
        "RMS, m/s",
        "lag, s",
        "RMS at the lag",
        "RMS change, m/s²",
        "true",
    ):
        table.add_column(column, justify="right")
    for scene, glider, seed in FLIGHTS:
        t_s, vario, truth = flown(scene, glider, seed)
        for time_constant_s in TIME_CONSTANTS_S:
            damping = LowPass(time_constant_s)
            shown = np.array([damping.update(v, STEP_S) for v in vario.tolist()], dtype=float)
            lags = range(31)
            errors = [rms((shown[lag:] - truth[: len(truth) - lag])[t_s[lag:] > PRELUDE_S]) for lag in lags]
            best = int(np.argmin(errors))
            values = (errors[0], best * STEP_S, errors[best], change(shown), change(truth))
            table.add_row(scene, f"{time_constant_s}", *(f"{value:.2f}" for value in values))
    Console(width=120, highlight=False).print(table)


def flown(scene: str, glider: str, seed: int) -> tuple[NDArray[np.float64], ...]:
    """Time, shown and true vario every `STEP_S`."""
    with tempfile.TemporaryDirectory() as folder:
        flight = fly(scene, glider, seed, Path(folder))
    player = play(flight.samples(), Pipeline(Settings(), GLIDERS[glider], NOISE))
    told = np.array([(r.t_s, r.energy.vario_mps) for r in player if r.energy.vario_mps is not None])
    t_s = np.arange(20.0, told[-1, 0], STEP_S)
    truth = np.interp(t_s, flight.truth["t_s"], flight.truth["vario_mps"])
    return t_s, np.interp(t_s, told[:, 0], told[:, 1]), truth


def change(values: NDArray[np.float64]) -> float:
    """RMS rate of change."""
    return rms(np.diff(values) / STEP_S)


if __name__ == "__main__":
    main()
