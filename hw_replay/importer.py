"""The common part of the readers of other programs' logs: checked samples, rejected values, warnings."""

from __future__ import annotations

import importlib
import math
import os
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType

from drivers import isa
from drivers.samples import Baro, GnssPos, Reference, Sample
from hw_replay.derived_velocity import DERIVED, with_velocity
from hw_replay.errors import RecordingError, RejectLog
from hw_replay.inertial_sanity import InertialSanity
from hw_replay.messages import DECODE, LATEST_T_S, RejectedValueError
from hw_replay.source import GNSS_BARO, RecordingInfo, SensorInfo

LONGEST_S = 48 * 3600.0
"""Longest duration of a log of an autopilot; a later time is damaged."""

EXTRA = "formats"
"""The extra of the installation that contains the libraries for these files."""

_MOST_NOTES = 20


class Importer(ABC):
    """A log of another program as a `Source`.

    A reader gives its samples in `_samples`, in order of time, and overrides `_begin` if it keeps a state
    between samples. If it names `GNSS_BARO` as its barometer, the height of each position serves as a
    pressure; if it names `DERIVED` as its velocity, that is computed from the positions.

    Args:
        path: the file.
        unit: the unit that the reader counts, for messages: "line", "row" or "message".
    """

    duration_s: float | None = None
    time_cure = "the log counts in another unit"
    """What to change if the times are probably in another unit; `{unit}` stands for its name."""

    def __init__(self, path: str | os.PathLike[str], unit: str) -> None:
        self._path = Path(path)
        self._unit = unit
        self._info: RecordingInfo
        self._begin()

    def _begin(self) -> None:
        """Forget what an earlier iteration has found."""
        self._rejects = RejectLog(self._unit)
        self._notes: list[str] = []
        self._sanity = InertialSanity(self.time_cure)

    @property
    def info(self) -> RecordingInfo:
        """The metadata in the file."""
        return self._info

    def rejected(self) -> int:
        """The number of lines, rows or messages rejected so far."""
        return self._rejects.total

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
        return [*self._notes, *self._rejects.messages(), *self._sanity.warnings()]

    def __iter__(self) -> Iterator[Sample]:
        self._begin()
        samples = self._samples()
        if self._info.sensors.get("baro") is GNSS_BARO:
            samples = _with_gnss_as_baro(samples)
        if self._info.sensors.get("gnss_vel") is DERIVED:
            samples = with_velocity(samples)
        return self._watched(samples)

    def _watched(self, samples: Iterator[Sample]) -> Iterator[Sample]:
        for sample in samples:
            self._sanity.take(sample)
            yield sample

    @abstractmethod
    def _samples(self) -> Iterator[Sample]:
        """All samples in order of time."""

    def _checked(
        self, channel: str, t_s: float, place: int, values: Mapping[str, float | None]
    ) -> Iterator[Sample]:
        """The sample, if its time and values are possible; otherwise its place is counted as rejected."""
        try:
            if not 0.0 <= t_s <= LATEST_T_S:
                raise RejectedValueError(f"{channel}: t_s outside 0 to {LATEST_T_S:g} s")
            yield DECODE[channel](t_s, values)
        except RejectedValueError as reason:
            self._rejects.add(str(reason), place)

    def _reference(self, name: str, t_s: float, value: float) -> Iterator[Sample]:
        """A reference value; nothing if its time is impossible or it is not a finite number."""
        if 0.0 <= t_s <= LATEST_T_S and math.isfinite(value):
            yield Reference(t_s, name, value)

    def _attitude(self, t_s: float, w: float, x: float, y: float, z: float) -> Iterator[Sample]:
        """The attitude of another instrument, as a quaternion from our body axes to north, east, down."""
        angles = bank_pitch_heading(w, x, y, z)
        for name, value in zip(("bank", "pitch", "heading"), angles or (), strict=False):
            yield from self._reference(f"autopilot_{name}_rad", t_s, value)

    def _note(self, sentence: str) -> None:
        if sentence not in self._notes and len(self._notes) < _MOST_NOTES:
            self._notes.append(sentence)


def with_barometer(sensors: dict[str, SensorInfo]) -> dict[str, SensorInfo]:
    """The sensors of a log; the height of its positions is the barometer if there is no other."""
    missing = "baro" not in sensors and "gnss_pos" in sensors
    return {**sensors, "baro": GNSS_BARO} if missing else sensors


def _with_gnss_as_baro(samples: Iterator[Sample]) -> Iterator[Sample]:
    """The samples, and before each position its height as the pressure of the standard atmosphere.

    If a barometer appears later in the log after all, it replaces the heights.
    """
    found = False
    for sample in samples:
        found = found or isinstance(sample, Baro)
        if isinstance(sample, GnssPos) and not found:
            yield Baro(sample.t_s, isa.pressure_pa(sample.altitude_m))
        yield sample


class SteadyClock:
    """Distinguishes possible times from damaged ones in a log without checksums."""

    BACK_S = 1.0
    AHEAD_S = 600.0
    TO_BELIEVE = 10

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._doubtful_s = 0.0
        self._agreeing = 0

    def believes(self, t_s: float) -> bool:
        """Whether a time fits the times before; after a long gap several times must agree."""
        if not 0.0 <= t_s <= LONGEST_S:
            return False
        if self._last_s is None or -self.BACK_S <= t_s - self._last_s <= self.AHEAD_S:
            self._last_s = max(t_s, self._last_s or 0.0)
            self._agreeing = 0
            return True
        agrees = -self.BACK_S <= t_s - self._doubtful_s <= self.AHEAD_S
        self._agreeing = self._agreeing + 1 if agrees else 0
        self._doubtful_s = t_s
        if self._agreeing < self.TO_BELIEVE or t_s < self._last_s:
            return False
        self._last_s = t_s
        return True


def library(module: str, path: Path, kind: str) -> ModuleType:
    """The library that reads files of this kind.

    Raises:
        RecordingError: if it is not installed; the message names the extra that contains it.
    """
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise RecordingError(
            f"{path}: this is {kind}, and the library {module.partition('.')[0]} that reads it is not "
            f"installed; install it with: pip install 'glider-vario[{EXTRA}]'"
        ) from error


GPS_EPOCH = datetime(1980, 1, 6, tzinfo=UTC)
_LEAPS = (
    (datetime(2017, 1, 1, tzinfo=UTC), 18),
    (datetime(2015, 7, 1, tzinfo=UTC), 17),
    (datetime(2012, 7, 1, tzinfo=UTC), 16),
)
"""Seconds that GPS time is ahead of UTC, from these instants on (IERS Bulletin C 52, 49 and 43)."""


def utc_of_gps(week: float, second: float) -> datetime | None:
    """The UTC instant of a GPS week and second of the week; None before July 2012 and after 2099."""
    if not (1600 <= week <= 6200 and 0.0 <= second <= 604_800.0):
        return None
    instant = GPS_EPOCH + timedelta(weeks=week, seconds=second)
    ahead_s = next((leap for since, leap in _LEAPS if instant >= since), None)
    return None if ahead_s is None else instant - timedelta(seconds=ahead_s)


def bank_pitch_heading(w: float, x: float, y: float, z: float) -> tuple[float, float, float] | None:
    """Bank, pitch and heading in rad of a unit quaternion from body to north, east, down.

    Body axes are forward, right, down. Rotation order heading, pitch, bank (ISO 1151-2; Diebel 2006,
    equation 290). Heading is from 0 to 2 pi.
    None for a quaternion that is not a rotation.
    """
    norm = w * w + x * x + y * y + z * z
    if not 0.9 < norm < 1.1:  # false for NaN too
        return None
    bank = math.atan2(2.0 * (w * x + y * z), w * w - x * x - y * y + z * z)
    pitch = math.asin(max(-1.0, min(1.0, 2.0 * (w * y - x * z) / norm)))
    heading = math.atan2(2.0 * (w * z + x * y), w * w + x * x - y * y - z * z)
    return bank, pitch, heading % (2.0 * math.pi)
