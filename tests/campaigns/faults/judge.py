"""Simulate one cell: vario and tone in every tenth of a second, and the truth."""

from __future__ import annotations

import copy
import math
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers.samples import Reference, Sample, Tick
from hw_replay.simulate.faults import inject
from tests.campaigns.faults.cells import FROM_S, LOST, UNTIL_S, Cell
from tests.campaigns.faults.flights import NOISE, flight
from vario.app.replay.player import Player
from vario.flight.inputs.quality import Quality
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue
from vario.flight.tone.stage import ToneCommand, Voice, pitch_of
from vario.settings.load import parse_settings
from vario.settings.schema import Settings

Floats = NDArray[np.float64]

GLIDER = Path(__file__).parents[3] / "config" / "gliders" / "quendel_2.toml"
SETTINGS = 'glider = "quendel_2.toml"\n[sensors.supply]\nlow_voltage = "11.5 V"\n'
STEP_S = 0.1

FALSE_MPS = 1.0
"""The tone sounds a false climb if it indicates more than this, and more than this above the truth."""

GOOD_MPS = 1.0
"""After the fault the vario has recovered once its error stays below this."""

AROUND_S = (2.0, 0.5)
"""Permitted time error of the needle: its value is compared with the largest truth within this time."""

LASTING = 0.8
"""A flag counts if it is set for this share of the fault; a shorter one is ignored."""

_SETTINGS = Settings()
_SCALE_MPS = np.arange(-5.0, 5.01, 0.05)
_PITCHES_HZ = np.array([pitch_of(value, _SETTINGS.tone.curve) for value in _SCALE_MPS.tolist()])


@dataclass(frozen=True, slots=True)
class Result:
    """The result of a cell.

    Attributes:
        worst_mps: largest error of the vario shown while the fault lasts; None: never shown.
        shown_s: time from the begin of the fault to the last vario shown during the fault; 0: never.
        flag_s: words of `quality` that are not there without the fault, and the time from the begin of the
        fault.
        lasting: the flags among them that were set for most of the fault.
        back_s: time after the end of the fault from which vario and quality stayed as without fault; inf:
        never.
        false_s: longest time of a false climb in the tone, during the fault and after it.
        low_battery: whether the warning of a low battery sounded.
    """

    worst_mps: float | None
    shown_s: float
    flag_s: dict[str, float]
    lasting: frozenset[str]
    back_s: float
    false_s: float
    low_battery: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """The outputs of a flight: one row for each tenth of a second."""

    t_s: Floats
    truth_mps: Floats
    shown_mps: Floats
    told_mps: Floats
    quality: list[Quality]
    low_battery: bool


def _player() -> Player:
    loaded = parse_settings(SETTINGS, "settings", GLIDER.read_text(encoding="utf-8"))
    return Player(Pipeline(loaded.settings, loaded.glider, Noise(NOISE["baro"], NOISE["pitot"])))


def told_mps(tone: ToneCommand) -> float:
    """The climb that the tone indicates; NaN if it indicates none."""
    if tone.level == 0.0 or tone.voice is not Voice.LIFT:
        return math.nan
    return float(np.interp(tone.pitch_hz, _PITCHES_HZ, _SCALE_MPS))


class _Watch:
    """Reads the outputs after each tenth of a second of truth."""

    def __init__(self, player: Player) -> None:
        self.player = player
        self.reading: Reading | None = None
        self.rows: list[tuple[float, float, float, Quality]] = []
        self.low_battery = False

    def take(self, sample: Sample) -> None:
        if isinstance(sample, Reference):
            if sample.name == "truth_vario_mps":
                self._look(sample.value)
            return
        for reading in self.player.push(sample):
            self.reading = reading
            cue = reading.tone.cue
            self.low_battery = self.low_battery or (cue is not None and cue.cue is Cue.LOW_BATTERY)

    def _look(self, truth_mps: float) -> None:
        shown = told = math.nan
        quality = Quality.OK
        if self.reading is not None:
            quality = self.reading.quality
            told = told_mps(self.reading.tone)
            if self.reading.needle_mps is not None and Quality.NO_BARO not in quality:
                shown = self.reading.needle_mps
        self.rows.append((truth_mps, shown, told, quality))


@cache
def _until_fault(phase: str) -> tuple[_Watch, int]:
    """The part of the flight before any fault in flight, and its number of samples."""
    samples = flight(phase)
    count = next(i for i, sample in enumerate(samples) if sample.t_s >= FROM_S)
    watch = _Watch(_player())
    for sample in samples[:count]:
        watch.take(sample)
    return watch, count


def fly(cell: Cell | None, phase: str) -> Seen:
    """Simulate a phase with the faults of a cell, or without faults."""
    sound = flight(phase)
    samples = list(inject(sound, cell.faults, NOISE, 3)) if cell is not None else list(sound)
    if cell is not None and cell.sensor == "everything" and cell.fault == LOST:
        samples = _with_ticks(samples)
    before, count = _until_fault(phase)
    if cell is not None and cell.from_s < FROM_S:
        watch, count = _Watch(_player()), 0
    else:
        assert all(a is b for a, b in zip(samples[:count], sound[:count], strict=True))
        watch = copy.deepcopy(before)
    for sample in samples[count:]:
        watch.take(sample)
    truth, shown, told = (np.array([row[i] for row in watch.rows], float) for i in range(3))
    # The first truth is that of the second step of the simulation's 0.1 s.
    times = STEP_S * np.arange(1, len(watch.rows) + 1)
    quality = [row[3] for row in watch.rows]
    return Seen(times, damped(truth), shown, told, quality, watch.low_battery)


def _with_ticks(samples: list[Sample]) -> list[Sample]:
    """Advance the time, as the live loop does while no sensor delivers."""
    out: list[Sample] = []
    for sample in samples:
        if isinstance(sample, Reference) and sample.name == "truth_vario_mps" and sample.t_s > FROM_S:
            out.append(Tick(sample.t_s))
        out.append(sample)
    return out


_sound_flight = cache(lambda phase: fly(None, phase))


def judge(cell: Cell) -> Result:
    """Simulate a cell and evaluate it."""
    usual = _sound_flight(cell.phase)
    seen = fly(cell, cell.phase)
    rows = min(len(seen.t_s), len(usual.t_s))
    t_s = seen.t_s[:rows]
    from_s = cell.from_s or 5.0
    ends = cell.from_s > 0.0
    during = (t_s >= from_s) & (t_s < (UNTIL_S if ends else math.inf))
    error = np.abs(seen.shown_mps - seen.truth_mps)[:rows]
    known = during & np.isfinite(error)
    extra = [seen.quality[i] & ~usual.quality[i] for i in range(rows)]
    flag_s: dict[str, float] = {}
    times: Counter[str] = Counter()
    for i in np.flatnonzero(during):
        for flag in extra[i]:
            flag_s.setdefault(str(flag), round(float(t_s[i]) - from_s, 1))
            times[str(flag)] += 1
    return Result(
        float(error[known].max()) if known.any() else None,
        round(float(t_s[known].max()) - from_s, 1) if known.any() else 0.0,
        flag_s,
        frozenset(flag for flag, count in times.items() if count > LASTING * np.count_nonzero(during)),
        _back_s(t_s, error, extra) if ends else 0.0,
        false_s(seen, t_s >= from_s if cell.from_s else t_s > 0.0),
        seen.low_battery and not usual.low_battery,
    )


def _back_s(t_s: Floats, error: Floats, extra: list[Quality]) -> float:
    bad = [
        float(t_s[i]) for i in range(len(t_s)) if t_s[i] >= UNTIL_S and (extra[i] or not error[i] < GOOD_MPS)
    ]
    if not bad:
        return 0.0
    return math.inf if bad[-1] > t_s[-1] - 5.0 else bad[-1] + STEP_S - UNTIL_S


def false_s(seen: Seen, looked_at: NDArray[np.bool_]) -> float:
    """The longest interval of a false climb."""
    before, after = (round(s / STEP_S) for s in AROUND_S)
    padded = np.pad(seen.truth_mps, (before, after), mode="edge")
    highest = np.lib.stride_tricks.sliding_window_view(padded, before + after + 1).max(axis=1)
    false = (seen.told_mps > FALSE_MPS) & (seen.told_mps - highest > FALSE_MPS)
    longest = run = 0
    for is_false in false[: len(looked_at)] & looked_at[: len(false)]:
        run = run + 1 if is_false else 0
        longest = max(longest, run)
    return longest * STEP_S


def damped(values: Floats) -> Floats:
    """The default damping of the needle."""
    share = 1.0 - math.exp(-STEP_S / _SETTINGS.vario.damping_s)
    out, now = np.empty_like(values), float(values[0])
    for i, value in enumerate(values):
        now += share * (float(value) - now)
        out[i] = now
    return out
