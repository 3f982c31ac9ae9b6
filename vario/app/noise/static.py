"""`vario noise static`: measure the noise of each sensor from a recording at rest."""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from drivers.isa import G0_MPS2, metres_per_pascal
from drivers.samples import CHANNEL_OF, CHANNELS, Sample
from hw_replay.source import Source
from vario.app.errors import AppError
from vario.app.noise.allan import AllanCurve, Floats, NoiseFigures, allan_curve, noise_figures
from vario.app.noise.files import provenance

LEAST_S = 60.0
LEAST_READINGS = 600
"""A shorter recording gives little information: the curve ends at a ninth of its length."""

GAP_PERIODS = 3.0
"""A longer interval, in sample periods, is a gap. The longest part without a gap is used."""

JITTER = 0.25
IRREGULAR_SHARE = 0.05
"""The rate is irregular if more than this fraction of the intervals differ from the median by the fraction
`JITTER`."""

STEP_S = 5.0
UPRIGHT_SHARE = 0.15
"""Allowed relative difference between mean specific force and gravity at rest; low-cost sensors have errors
up to 10 %."""


@dataclass(frozen=True, slots=True)
class NoiseChannel:
    """A sensor whose noise can be measured at rest.

    Attributes:
        channel: its channel; each value field is measured separately.
        unit: unit of the values.
        moved: a larger change of the mean within `STEP_S` means movement (or wind, for pressure).
        what: the likely cause of such a change, for the message.
    """

    channel: str
    unit: str
    moved: float
    what: str


SENSORS = (
    NoiseChannel("baro", "Pa", 12.0, "it was carried up or down, or a door or gust changed the pressure"),
    NoiseChannel("pitot", "Pa", 5.0, "wind blew into the pitot; cover it"),
    NoiseChannel("imu_accel", "m/s²", 0.3, "it was tilted or pushed"),
    NoiseChannel("imu_gyro", "rad/s", 0.02, "it was turned"),
)
"""12 Pa is 1 m of height; 0.3 m/s² is a tilt of 2°; 0.02 rad/s is a turn of 1°/s."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One value field of one sensor.

    Attributes:
        name: channel and field, such as "imu_accel.x_mps2".
        sensor: the sensor.
        mean: mean of all readings.
        rate_hz: readings per second.
        duration_s: length of the part used.
        step: smallest difference between readings, which is the resolution.
        curve: Allan deviation.
        figures: noise figures of the curve.
    """

    name: str
    sensor: NoiseChannel
    mean: float
    rate_hz: float
    duration_s: float
    step: float
    curve: AllanCurve
    figures: NoiseFigures

    @property
    def axis(self) -> str:
        """The field without its unit: "x" of "imu_accel.x_mps2"."""
        return self.name.split(".")[1].split("_")[0]

    @property
    def for_filter(self) -> float:
        """White noise of one sample for a filter, standard deviation.

        A sensor with an internal low-pass filter gives correlated samples. Their scatter is too small for the
        noise of their average, so the value from the noise density is used if it is larger.
        """
        white = self.figures.white
        return max(self.figures.sample, (white or 0.0) * math.sqrt(self.rate_hz))


@dataclass(frozen=True, slots=True)
class StaticResult:
    """The result of a recording at rest.

    Attributes:
        measured: every value field that could be measured.
        refused: by channel, the reason why it could not be measured.
        origin: origin of the figures.
    """

    measured: list[Measured]
    refused: dict[str, str]
    origin: dict[str, Any]


class _RefusedError(Exception):
    """The channel cannot be measured; the message is the reason."""


def measure_static(source: Source, path: Path) -> StaticResult:
    """Measure every sensor of a recording at rest.

    Args:
        source: the recording.
        path: its file, for the origin and for messages.

    Raises:
        AppError: if no sensor could be measured; the message contains every reason.
        RecordingError: if the recording cannot be read.
    """
    series = _collect(source)
    measured: list[Measured] = []
    refused: dict[str, str] = {}
    for sensor in SENSORS:
        try:
            measured += _measure(sensor, *series.get(sensor.channel, (np.empty(0), np.empty((0, 1)))))
        except _RefusedError as reason:
            refused[sensor.channel] = str(reason)
    if not measured:
        reasons = "; ".join(f"{channel}: {reason}" for channel, reason in refused.items())
        raise AppError(f"{path}: no sensor can be measured from this recording: {reasons}")
    duration_s = max(m.duration_s for m in measured)
    return StaticResult(measured, refused, provenance(path, source.info, duration_s))


def _collect(samples: Iterable[Sample]) -> dict[str, tuple[Floats, Floats]]:
    """Times, s, shape (n,), and values, shape (n, fields), of every channel to be measured."""
    wanted = {sensor.channel: CHANNELS[sensor.channel].value_fields for sensor in SENSORS}
    held = {channel: (array("d"), array("d")) for channel in wanted}
    for sample in samples:
        channel = CHANNEL_OF.get(type(sample), "")
        if channel in held:
            times, values = held[channel]
            times.append(sample.t_s)
            values.extend(getattr(sample, field) for field in wanted[channel])
    return {
        channel: (np.array(times), np.array(values).reshape(-1, len(wanted[channel])))
        for channel, (times, values) in held.items()
    }


def _measure(sensor: NoiseChannel, t_s: Floats, values: Floats) -> list[Measured]:
    if len(t_s) == 0:
        raise _RefusedError("not in the recording")
    _check_length(t_s)
    start, end = _longest_stretch(t_s)
    t_s, values = t_s[start:end], values[start:end]
    rate_hz = _check_length(t_s)
    _check_rate(t_s)
    _check_rest(sensor, t_s, values, rate_hz)
    found = []
    for field, column in zip(CHANNELS[sensor.channel].value_fields, values.T, strict=True):
        levels = np.unique(column)
        if len(levels) < 3:
            raise _RefusedError(
                f"{field} has {len(levels)} different values; expected 3 or more: the noise is below the "
                "resolution, or the sensor is frozen"
            )
        curve = allan_curve(column, rate_hz)
        lowest = int(np.argmin(curve.deviation))
        if curve.deviation[lowest] < 1e-9 * curve.deviation[0]:
            raise _RefusedError(
                f"{field} repeats itself every {curve.tau_s[lowest]:.3g} s; expected noise, as of a sensor"
            )
        found.append(
            Measured(
                f"{sensor.channel}.{field}",
                sensor,
                float(np.mean(column)),
                rate_hz,
                float(t_s[-1] - t_s[0]),
                float(np.min(np.diff(levels))),
                curve,
                noise_figures(curve),
            )
        )
    return found


def _check_length(t_s: Floats) -> float:
    """The mean rate, Hz; raises if the series is too short."""
    length_s = float(t_s[-1] - t_s[0])
    if length_s < LEAST_S or len(t_s) < LEAST_READINGS:
        raise _RefusedError(
            f"too short: {length_s:.1f} s with {len(t_s)} readings, "
            f"expected at least {LEAST_S:g} s and {LEAST_READINGS} readings without a gap"
        )
    return (len(t_s) - 1) / length_s


def _longest_stretch(t_s: Floats) -> tuple[int, int]:
    intervals = np.diff(t_s)
    cuts = np.flatnonzero(intervals > GAP_PERIODS * np.median(intervals)) + 1
    edges = np.concatenate(([0], cuts, [len(t_s)]))
    longest = int(np.argmax(np.diff(edges)))
    return int(edges[longest]), int(edges[longest + 1])


def _check_rate(t_s: Floats) -> None:
    intervals = np.diff(t_s)
    usual = float(np.median(intervals))
    off = float(np.mean(np.abs(intervals - usual) > JITTER * usual))
    if off > IRREGULAR_SHARE:
        raise _RefusedError(
            f"irregular rate: {off:.0%} of the intervals differ by more than {JITTER:.0%} from the median of "
            f"{usual * 1000:.1f} ms; expected {IRREGULAR_SHARE:.0%} or less for correct averaging times"
        )


def _check_rest(sensor: NoiseChannel, t_s: Floats, values: Floats, rate_hz: float) -> None:
    """Raise if the 1 s means change more than those of a sensor at rest."""
    length = max(1, round(rate_hz))
    whole = len(values) // length * length
    means = values[:whole].reshape(-1, length, values.shape[1]).mean(axis=1)
    noise = np.std(np.diff(values, axis=0), axis=0) / math.sqrt(2.0)
    seconds = length / rate_hz
    step = max(1, round(STEP_S / seconds))
    change = np.abs(means[step:] - means[:-step])
    # Means of white noise differ by √2·noise/√n; six times that does not occur by chance.
    worst = change - 6.0 * math.sqrt(2.0 / length) * noise
    row, column = np.unravel_index(int(np.argmax(worst)), worst.shape)
    if worst[row, column] > sensor.moved:
        at_s = float(t_s[0]) + float(row) * seconds
        field = CHANNELS[sensor.channel].value_fields[column]
        raise _RefusedError(
            f"not at rest: {field} changes by {change[row, column]:.3g} {sensor.unit} within {STEP_S:g} s "
            f"at {at_s:.0f} s ({sensor.what})"
        )
    if sensor.channel == "imu_accel":
        force = float(np.linalg.norm(means.mean(axis=0)))
        if abs(force - G0_MPS2) > UPRIGHT_SHARE * G0_MPS2:
            raise _RefusedError(
                f"not at rest, or a wrong scale: mean specific force {force:.2f} m/s², expected {G0_MPS2:.2f}"
            )


def in_metres(m: Measured) -> tuple[float, float | None] | None:
    """Noise of a barometer as height, m: of one sample and after 1 s. None for other sensors."""
    if m.sensor.channel != "baro":
        return None
    scale = metres_per_pascal(m.mean)
    return m.figures.sample * scale, None if m.figures.second is None else m.figures.second * scale
