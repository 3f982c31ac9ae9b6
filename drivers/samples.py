"""The samples that the parts of the project exchange, and the table of their channels.

A sample is one reading of one sensor at one instant. Its time `t_s` is the time of the measurement, in
seconds on the monotonic clock of the recording, never negative. The flight logic uses no other clock. A
missing reading is the absence of a sample, never a zero or a NaN.

Body axes are x forward, y right, z down, so an accelerometer at rest reads z = -9.81 m/s^2
(specific force). Geographic velocities are north, east, down; everything called "up" is positive up.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from operator import attrgetter
from types import MappingProxyType
from typing import Any

from drivers.events import Event
from drivers.quick import dataclass


@dataclass(frozen=True, slots=True)
class Baro:
    """Static pressure."""

    t_s: float
    static_pa: float


@dataclass(frozen=True, slots=True)
class Pitot:
    """Impact pressure: pitot minus static. Slightly negative at rest, from noise and zero offset."""

    t_s: float
    impact_pa: float


@dataclass(frozen=True, slots=True)
class ImuAccel:
    """Specific force in body axes."""

    t_s: float
    x_mps2: float
    y_mps2: float
    z_mps2: float


@dataclass(frozen=True, slots=True)
class ImuGyro:
    """Body angular rate: roll right, pitch up and yaw right are positive."""

    t_s: float
    x_radps: float
    y_radps: float
    z_radps: float


@dataclass(frozen=True, slots=True)
class GnssPos:
    """Position (WGS 84) and height above mean sea level. Degrees are the only non-SI unit here."""

    t_s: float
    lat_deg: float
    lon_deg: float
    altitude_m: float


@dataclass(frozen=True, slots=True)
class GnssVel:
    """Velocity over ground. `down_mps` is None where the receiver gives none."""

    t_s: float
    north_mps: float
    east_mps: float
    down_mps: float | None

    @property
    def speed_mps(self) -> float:
        """Speed over ground."""
        return math.hypot(self.north_mps, self.east_mps)

    @property
    def track_rad(self) -> float:
        """Direction of the motion over ground from true north, 0 to 2π."""
        return math.atan2(self.east_mps, self.north_mps) % math.tau


@dataclass(frozen=True, slots=True)
class Oat:
    """Outside air temperature."""

    t_s: float
    air_k: float


@dataclass(frozen=True, slots=True)
class LoadFactor:
    """Normal load factor from another instrument: 1 in level flight."""

    t_s: float
    load: float


@dataclass(frozen=True, slots=True)
class Supply:
    """Supply voltage of the instrument."""

    t_s: float
    volt_v: float


@dataclass(frozen=True, slots=True)
class Tick:
    """A pause without samples. The live loop sends it while no sensor gives a sample, so that outputs age."""

    t_s: float


@dataclass(frozen=True, slots=True)
class Reference:
    """A reference value, never an input: the truth of a simulation, or the reading of another instrument.

    `name` carries the unit like every other name, e.g. `truth_vario_mps`.
    """

    t_s: float
    name: str
    value: float


Sample = (
    Baro
    | Pitot
    | ImuAccel
    | ImuGyro
    | GnssPos
    | GnssVel
    | Oat
    | LoadFactor
    | Supply
    | Tick
    | Reference
    | Event
)


@dataclass(frozen=True, slots=True)
class Channel:
    """The fields of a channel and their physical limits.

    `limits` gives, for each value field, the closed range that a working sensor can report. A sample outside
    it is rejected, at import and again in flight. The ranges are wide on purpose: they detect broken sensors
    and wrong units, not unusual weather.
    """

    name: str
    sample: type[Sample]
    limits: Mapping[str, tuple[float, float]]
    optional: frozenset[str] = frozenset()

    @property
    def value_fields(self) -> tuple[str, ...]:
        """The sample's fields after `t_s`, in order."""
        return tuple(f.name for f in fields(self.sample) if f.name != "t_s")


def _channel(
    name: str, sample: type[Sample], optional: frozenset[str] = frozenset(), /, **limits: tuple[float, float]
) -> Channel:
    return Channel(name, sample, MappingProxyType(limits), optional)


_ACCEL = (-160.0, 160.0)  # ±16 g, the widest range of the chips in use
_RATE = (-35.0, 35.0)  # ±2000 deg/s
_SPEED = (-150.0, 150.0)

CHANNELS: Mapping[str, Channel] = MappingProxyType(
    {
        channel.name: channel
        for channel in (
            _channel("baro", Baro, static_pa=(10_000.0, 120_000.0)),
            _channel("pitot", Pitot, impact_pa=(-2_000.0, 12_000.0)),
            _channel("imu_accel", ImuAccel, x_mps2=_ACCEL, y_mps2=_ACCEL, z_mps2=_ACCEL),
            _channel("imu_gyro", ImuGyro, x_radps=_RATE, y_radps=_RATE, z_radps=_RATE),
            _channel(
                "gnss_pos",
                GnssPos,
                lat_deg=(-90.0, 90.0),
                lon_deg=(-180.0, 180.0),
                altitude_m=(-1_000.0, 20_000.0),
            ),
            _channel(
                "gnss_vel",
                GnssVel,
                frozenset({"down_mps"}),
                north_mps=_SPEED,
                east_mps=_SPEED,
                down_mps=_SPEED,
            ),
            _channel("oat", Oat, air_k=(180.0, 340.0)),
            _channel("load_factor", LoadFactor, load=(-10.0, 15.0)),
            _channel("supply", Supply, volt_v=(0.0, 60.0)),
            _channel("tick", Tick),
        )
    }
)
"""Every input channel by name. `Reference` samples have no channel: each carries its own name."""

CHANNEL_OF: Mapping[type[Sample], str] = MappingProxyType(
    {channel.sample: channel.name for channel in CHANNELS.values()}
)

_VALUES_OF: Mapping[type[Sample], Callable[[Any], Any]] = {
    channel.sample: attrgetter(*channel.value_fields) for channel in CHANNELS.values() if channel.value_fields
}


def whole_ns(t_s: float) -> float:
    """The time as a recording stores it."""
    return round(t_s * 1e9) / 1e9


def at_time(sample: Sample, t_s: float) -> Sample:
    """The same reading at another time. For a sample of a channel it is faster than `replace`."""
    if sample.t_s == t_s:
        return sample
    kind: Any = type(sample)
    values = _VALUES_OF.get(kind)
    if values is None:
        return replace(sample, t_s=t_s)
    read = values(sample)
    return kind(t_s, *read) if type(read) is tuple else kind(t_s, read)  # type: ignore[no-any-return]
