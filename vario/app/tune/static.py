"""`vario tune static`: what the noise of each sensor is, from a recording at rest."""

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
from vario.app.tune.allan import AllanCurve, Floats, NoiseFigures, allan_curve, noise_figures
from vario.app.tune.files import provenance

LEAST_S = 60.0
LEAST_READINGS = 600
"""Less than this says little: the curve ends at a ninth of it."""

GAP_PERIODS = 3.0
"""A longer interval is a gap: the longest stretch without one is used."""

JITTER = 0.25
IRREGULAR_SHARE = 0.05
"""The rate is irregular if more than this share of the intervals is off the usual one by `JITTER` of it."""

STEP_S = 5.0
UPRIGHT_SHARE = 0.15
"""At rest specific force is gravity; cheap sensors read it up to 10 % wrong, half a g means flying."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor whose noise can be measured at rest.

    Attributes:
        channel: its channel, whose value fields are measured one by one.
        unit: of the values.
        moved: a change of the mean over `STEP_S` that means movement (or wind, for pressure), beside noise.
        what: what such a change would be, for the message.
    """

    channel: str
    unit: str
    moved: float
    what: str


SENSORS = (
    Sensor("baro", "Pa", 12.0, "it was carried up or down, or a door or gust changed the pressure"),
    Sensor("pitot", "Pa", 5.0, "wind blew into the pitot; cover it"),
    Sensor("imu_accel", "m/s²", 0.3, "it was tilted or pushed"),
    Sensor("imu_gyro", "rad/s", 0.02, "it was turned"),
)
"""12 Pa is a metre, the height of a table; 0.3 m/s² a tilt of 2°; 0.02 rad/s a turn of 1°/s."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One value field of one sensor.

    Attributes:
        name: e.g. "imu_accel.x_mps2".
        sensor: which sensor.
        mean: of all readings.
        rate_hz: readings a second.
        duration_s: length of the stretch used.
        step: smallest difference between readings, the resolution.
    """

    name: str
    sensor: Sensor
    mean: float
    rate_hz: float
    duration_s: float
    step: float
    curve: AllanCurve
    figures: NoiseFigures

    @property
    def for_filter(self) -> float:
        """White noise of one sample as a filter should take it.

        A sensor that smooths inside has neighbouring samples alike: they look quieter than what their average
        is worth, so the density counts where it is larger.
        """
        white = self.figures.white
        return (
            self.figures.sample
            if white is None
            else max(self.figures.sample, white * math.sqrt(self.rate_hz))
        )


@dataclass(frozen=True, slots=True)
class StaticResult:
    """What a recording at rest says.

    Attributes:
        measured: every value field that could be measured.
        refused: by channel, why it could not.
        origin: provenance of the numbers.
    """

    measured: list[Measured]
    refused: dict[str, str]
    origin: dict[str, Any]


class _RefusedError(Exception):
    """The channel cannot be measured; the message says why."""


def measure_static(source: Source, path: Path) -> StaticResult:
    """Measure every sensor of a recording at rest.

    Args:
        source: the recording.
        path: its file, for provenance and messages.

    Raises:
        AppError: if not one sensor could be measured; the message gives every reason.
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
        raise AppError(f"{path}: no sensor can be measured from this: {reasons}")
    duration_s = max(m.duration_s for m in measured)
    return StaticResult(measured, refused, provenance(path, source.info, duration_s))


def _collect(samples: Iterable[Sample]) -> dict[str, tuple[Floats, Floats]]:
    """Times (n,) and values (n, fields) of every channel to be measured."""
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


def _measure(sensor: Sensor, t_s: Floats, values: Floats) -> list[Measured]:
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
                f"{field} hardly ever changes: its noise is below its resolution, or it hangs"
            )
        curve = allan_curve(column, rate_hz)
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
    """Refuse what is too short; else the mean rate."""
    length_s = float(t_s[-1] - t_s[0])
    if length_s < LEAST_S or len(t_s) < LEAST_READINGS:
        raise _RefusedError(
            f"too short: {length_s:.1f} s with {len(t_s)} readings, "
            f"at least {LEAST_S:g} s and {LEAST_READINGS} readings without a gap are needed"
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
            f"irregular rate: {off:.0%} of the intervals differ by more than {JITTER:.0%} from the usual "
            f"{usual * 1000:.1f} ms; averaging times would be wrong"
        )


def _check_rest(sensor: Sensor, t_s: Floats, values: Floats, rate_hz: float) -> None:
    """Refuse a sensor whose 1 s means change as those of a sensor at rest do not."""
    length = max(1, round(rate_hz))
    whole = len(values) // length * length
    means = values[:whole].reshape(-1, length, values.shape[1]).mean(axis=1)
    noise = np.std(np.diff(values, axis=0), axis=0) / math.sqrt(2.0)
    seconds = length / rate_hz
    step = max(1, round(STEP_S / seconds))
    change = np.abs(means[step:] - means[:-step])
    # Means of white noise differ by √2·noise/√n; 6 of those happen by chance to nobody.
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
                f"not at rest, or a wrong scale: mean force {force:.2f} m/s², not {G0_MPS2:.2f}"
            )


def in_metres(m: Measured) -> tuple[float, float | None] | None:
    """Noise of a barometer in height: of a sample and after 1 s, m; None for other sensors."""
    if m.sensor.channel != "baro":
        return None
    scale = metres_per_pascal(m.mean)
    return m.figures.sample * scale, None if m.figures.second is None else m.figures.second * scale
