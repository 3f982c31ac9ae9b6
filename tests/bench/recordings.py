"""How the vario does on recordings: `python -m tests.bench.recordings FILE ...`.

For each file: minutes in each mode, climbs and those that lost height, seconds an hour in flight without a
vario, its correlation with the change of energy height in windows of 10 s and the difference of their means,
the mean squared innovation of the energy height over its variance (NIS), and the share of refused samples.
Energy heights are the measured ones: samples of pressure and airspeed, not smoothed.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from pathlib import Path

import numpy as np
from rich.console import Console

from drivers.isa import G0_MPS2
from vario.app.hindsight.hindsight import Hindsight
from vario.app.replay.session import ReplaySession, opened
from vario.flight.inputs.frames import JUMP_S
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading

WINDOW_S = 10.0


class Measured:
    """Collects the figures of one recording."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._flown_s = 0.0
        self._blank_s: Counter[str] = Counter()
        self._window: list[tuple[float, float, float]] = []
        self._rates: list[tuple[float, float]] = []
        self._squares: list[float] = []
        self._refused = 0

    def take(self, reading: Reading) -> None:
        """One reading."""
        step_s = 0.0 if self._last_s is None else reading.t_s - self._last_s
        self._last_s = reading.t_s
        if reading.mode is Mode.GROUND or step_s > JUMP_S:
            self._window.clear()
            return
        self._flown_s += step_s
        if reading.energy.vario_mps is None:
            self._blank_s[", ".join(map(str, reading.quality)) or "no flag"] += step_s
            self._window.clear()
        self._take_innovation(reading)

    def _take_innovation(self, reading: Reading) -> None:
        monitor, vario_mps = reading.monitor, reading.energy.vario_mps
        height = monitor.innovations.get("height")
        if height is None:
            return
        self._squares.append(height.nis)
        self._refused += not height.used
        if vario_mps is None or monitor.measured_height_m is None:
            return
        tas_mps = monitor.measured_tas_mps if reading.energy.compensated else None
        energy_m = monitor.measured_height_m + (tas_mps or 0.0) ** 2 / (2.0 * G0_MPS2)
        window = self._window
        window.append((reading.t_s, energy_m, vario_mps))
        span_s = window[-1][0] - window[0][0]
        if span_s >= WINDOW_S:
            if span_s < 1.5 * WINDOW_S:
                t_s, energies, varios = np.array(window).T
                mean_mps = float(np.trapezoid(varios, t_s)) / span_s
                self._rates.append(((energies[-1] - energies[0]) / span_s, mean_mps))
            self._window = [window[-1]]

    def result(self) -> str:
        """A line."""
        wanted, shown = np.array(self._rates).T if len(self._rates) > 2 else np.full((2, 2), np.nan)
        hours, blank_s = self._flown_s / 3600.0 or math.nan, sum(self._blank_s.values())
        why = "; ".join(f"{name} {seconds:.1f} s" for name, seconds in self._blank_s.items())
        return (
            f"blank {blank_s:.1f} s, {blank_s / hours:.1f} s/h ({why or 'none'}), "
            f"correlation {np.corrcoef(wanted, shown)[0, 1]:.3f}, "
            f"mean {np.mean(shown - wanted):+.3f} m/s, NIS {np.mean(self._squares or [math.nan]):.2f}, "
            f"refused {self._refused / max(len(self._squares), 1):.2%}"
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--no-hindsight", action="store_true", help="faster")
    arguments = parser.parse_args()
    say = Console(highlight=False, soft_wrap=True, markup=False).print
    for path in arguments.files:
        begun_s = time.process_time()
        source, loaded = opened(path, None)
        session = ReplaySession(
            source,
            loaded.settings,
            loaded.glider,
            hindsight=None if arguments.no_hindsight else Hindsight(),
        )
        measured = Measured()
        for reading in session:
            measured.take(reading)
        summary = session.summary()
        flight, climbs = summary["flight"], summary["climbs"]
        modes = ", ".join(f"{mode} {seconds / 60.0:.0f}" for mode, seconds in flight["mode_s"].items())
        lost = sum(climb["gain_m"] < 0.0 for climb in climbs)
        say(f"{path.name}: min {modes}; take-off {flight['takeoff_utc']}, {flight['flights']} flights")
        say(f"  {len(climbs)} climbs, {lost} of them lost height; {measured.result()}")
        say(f"  flying above {flight['flying_speed_mps']} m/s ({flight['flying_speed_from']})")
        say(
            f"  hindsight {summary.get('hindsight')}; {time.process_time() - begun_s:.0f} s of processor time"
        )
        for name, found in summary["references"].items():
            say(f"  {name}: {found}")
        for warning in summary["warnings"]:
            say(f"  note: {warning}")


if __name__ == "__main__":
    main()
