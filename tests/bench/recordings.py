"""How the vario does on recordings: `python -m tests.bench.recordings FILE ...`.

For each file: minutes in each mode, climbs and those that lost height, seconds an hour without a vario in
flight and in the whole recording, correlation of the vario with the rate of energy height, the difference of
their means, and for height and energy height the mean squared innovation over its variance (NIS; also with
each limited to the gate of 36), the correlation of neighbouring innovations, and the share of refused
samples. If there are refused samples, also the difference of the means without the 10 s around each, and the
NIS of the samples used. Energy heights are the measured ones: samples of pressure and airspeed, not
smoothed. `--without-inertial` leaves out the inertial unit, and `--every` samples of pressure that follow
the last one too closely.

The correlation is that of means over 10 s. Each vario is compared with the change of energy height up to its
own sample, and no lag is removed: the vario cannot know more. Two further values: as shown in live time, in
which a vario stands until the next sample and is thus up to one sample late; and that with the best lag
removed.
"""

from __future__ import annotations

import argparse
import itertools
import math
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console

from drivers.isa import G0_MPS2
from drivers.samples import Baro, ImuAccel, ImuGyro, Pitot, Sample
from hw_replay.source import Source
from vario.app.hindsight.hindsight import Hindsight
from vario.app.replay.session import ReplaySession, opened
from vario.flight.inputs.frames import JUMP_S
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading

Floats = NDArray[np.float64]

CHANNELS = ("height", "energy")
WINDOW_S = 10.0
GATE_NIS = 36.0
LAGS_S = np.arange(0.0, 8.1, 0.25)


class Measured:
    """Collects the figures of one recording."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._flown_s = self._whole_s = self._whole_blank_s = 0.0
        self._blank_s: Counter[str] = Counter()
        self._shown: list[tuple[float, float]] = []
        self._energies: list[tuple[float, float, bool, float]] = []
        self._scaled: dict[str, list[float]] = {}
        self._refused_s: dict[str, list[float]] = {}

    def take(self, reading: Reading) -> None:
        """One reading."""
        step_s = 0.0 if self._last_s is None else reading.t_s - self._last_s
        self._last_s = reading.t_s
        if step_s > JUMP_S:
            return
        blank = reading.energy.vario_mps is None
        self._whole_s += step_s
        self._whole_blank_s += step_s * blank
        if reading.mode is Mode.GROUND:
            return
        self._flown_s += step_s
        if blank:
            self._blank_s[", ".join(map(str, reading.quality)) or "no flag"] += step_s
        shown_mps = math.nan if reading.energy.vario_mps is None else reading.energy.vario_mps
        self._shown.append((reading.t_s, shown_mps))
        for name in CHANNELS:
            innovation = reading.diagnostics.innovations.get(name)
            if innovation is not None:
                scaled = innovation.residual / math.sqrt(innovation.variance)
                self._scaled.setdefault(name, []).append(scaled)
                if not innovation.used:
                    self._refused_s.setdefault(name, []).append(reading.t_s)
        height_m = reading.diagnostics.measured_height_m
        if height_m is None or "height" not in reading.diagnostics.innovations:
            return
        compensated = reading.energy.compensated
        tas_mps = reading.diagnostics.measured_tas_mps if compensated else None
        energy_m = height_m + (tas_mps or 0.0) ** 2 / (2.0 * G0_MPS2)
        self._energies.append((reading.t_s, energy_m, compensated, shown_mps))

    def _windows(self) -> Iterator[tuple[float, float, float, float]]:
        """Begin, end, mean rate of energy height and mean vario of stretches of about 10 s, in m/s."""
        first = last = None
        way_m = known_s = 0.0
        for row in self._energies:
            span_s = math.inf if first is None else row[0] - first[0]
            if first is None or last is None or span_s > 1.5 * WINDOW_S or row[2] != first[2]:
                first, way_m, known_s = row, 0.0, 0.0
            else:
                known = math.isfinite(row[3])
                known_s += (row[0] - last[0]) * known
                way_m += (row[0] - last[0]) * row[3] if known else 0.0
                if span_s >= WINDOW_S - 0.01 and known_s > 0.0:
                    yield first[0], row[0], (row[1] - first[1]) / span_s, way_m / known_s
                    first, way_m, known_s = row, 0.0, 0.0
            last = row

    def result(self) -> str:
        """A line."""
        windows = np.array(list(self._windows())).reshape(-1, 4)
        t_s, shown = np.array(self._shown).reshape(-1, 2).T
        known = np.isfinite(shown)
        t_s, shown = t_s[known], shown[known]
        ways_m = np.concatenate([[0.0], np.cumsum(np.diff(t_s) * shown[:-1])])

        def means(lag_s: float) -> Floats:
            begins, ends = (np.interp(windows[:, k] + lag_s, t_s, ways_m) for k in (0, 1))
            return np.asarray((ends - begins) / (windows[:, 1] - windows[:, 0]))

        fits = [float(np.corrcoef(windows[:, 2], means(lag_s))[0, 1]) for lag_s in LAGS_S]
        best = int(np.argmax(fits))
        at_samples = float(np.corrcoef(windows[:, 2], windows[:, 3])[0, 1])
        hours, blank_s = self._flown_s / 3600.0 or math.nan, sum(self._blank_s.values())
        why = "; ".join(f"{name} {seconds:.1f} s" for name, seconds in self._blank_s.items())
        return (
            f"blank {blank_s:.1f} s, {blank_s / hours:.1f} s/h ({why or 'none'}), in the whole "
            f"{self._whole_blank_s / self._whole_s * 3600.0:.1f} s/h; correlation {at_samples:.3f}, "
            f"as shown {fits[0]:.3f}, without {LAGS_S[best]:.2f} s of lag {fits[best]:.3f}; "
            f"mean {np.mean(windows[:, 3] - windows[:, 2]):+.3f} m/s{self._without_refused(windows)}"
            + "".join(self._consistency(name, np.array(scaled)) for name, scaled in self._scaled.items())
        )

    def _without_refused(self, windows: Floats) -> str:
        """Difference of the means without the windows that contain a refused sample."""
        hit = np.zeros(len(windows), dtype=bool)
        for t_s in itertools.chain(*self._refused_s.values()):
            hit |= (windows[:, 0] < t_s) & (t_s <= windows[:, 1])
        if not np.any(hit):
            return ""
        kept = windows[~hit]
        return f" (without refused samples {np.mean(kept[:, 3] - kept[:, 2]):+.3f})"

    def _consistency(self, name: str, scaled: Floats) -> str:
        """NIS of one kind of innovation, its limited value, that of the used ones, and their correlation."""
        squares = scaled * scaled
        limited = np.clip(scaled, -math.sqrt(GATE_NIS), math.sqrt(GATE_NIS))
        neighbours = np.mean(limited[1:] * limited[:-1]) / np.mean(limited * limited)
        refused = len(self._refused_s.get(name, ()))
        used = "" if not refused else f", without them NIS {np.mean(squares[squares <= GATE_NIS]):.2f}"
        return (
            f"\n  {name}: NIS {np.mean(squares):.2f}, limited {np.mean(limited * limited):.2f}, "
            f"neighbours {neighbours:+.2f}, refused {refused / len(squares):.2%}{used}"
        )


class Thinned:
    """A recording without a part of its samples."""

    def __init__(self, source: Source, every_s: float, *, inertial: bool) -> None:
        self._source, self._every_s, self._inertial = source, every_s, inertial
        step_s = max(source.info.longest_step_s or 0.0, every_s) or None
        self.info = replace(source.info, longest_step_s=step_s)

    def __iter__(self) -> Iterator[Sample]:
        """The samples that are left."""
        last_s: dict[type[Sample], float] = {}
        for sample in self._source:
            if isinstance(sample, (Baro, Pitot)):
                if sample.t_s < last_s.get(type(sample), -math.inf) + self._every_s - 1e-3:
                    continue
                last_s[type(sample)] = sample.t_s
            if self._inertial or not isinstance(sample, (ImuAccel, ImuGyro)):
                yield sample

    @property
    def duration_s(self) -> float | None:
        """That of the recording."""
        return self._source.duration_s

    def rejected(self) -> int:
        """That of the recording."""
        return self._source.rejected()

    def warnings(self) -> list[str]:
        """Those of the recording."""
        return self._source.warnings()


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--no-hindsight", action="store_true", help="faster")
    parser.add_argument("--without-inertial", action="store_true", help="leave out the inertial unit")
    parser.add_argument("--every", type=float, default=0.0, help="at most one pressure in so many seconds")
    arguments = parser.parse_args()
    say = Console(highlight=False, soft_wrap=True, markup=False).print
    for path in arguments.files:
        begun_s = time.process_time()
        source, loaded = opened(path, None)
        session = ReplaySession(
            Thinned(source, arguments.every, inertial=not arguments.without_inertial),
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
