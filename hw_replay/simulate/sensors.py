"""The simulated sensors: each measures the true values with noise, bias, lag and finite resolution.

The sizes of the errors are those of typical modules. Each sensor has its own stream of random numbers.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass

from drivers.isa import G0_MPS2, impact_of_tas_pa
from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Oat, Pitot, Sample
from hw_replay.simulate.air import Atmosphere
from hw_replay.simulate.glider import Motion
from hw_replay.simulate.noise import GaussMarkov, normals
from hw_replay.simulate.rotation import Matrix, Vector, apply_inverse, from_euler, matrix
from hw_replay.source import SensorInfo
from hw_replay.wgs84 import radii_m


@dataclass(frozen=True, slots=True)
class Rates:
    """Samples per second of each sensor; each rate must divide the 100 steps per second of the simulation."""

    imu_hz: float = 50.0
    baro_hz: float = 25.0
    pitot_hz: float = 25.0
    gnss_hz: float = 4.0
    oat_hz: float = 0.2


@dataclass(frozen=True, slots=True)
class GeodeticOrigin:
    """Position of the field, degrees. Near it, degrees are proportional to metres (WGS 84)."""

    lat_deg: float
    lon_deg: float

    def degrees(self, north_m: float, east_m: float) -> tuple[float, float]:
        """Latitude and longitude, degrees, of a point."""
        lat_rad = math.radians(self.lat_deg)
        meridian_m, normal_m = radii_m(lat_rad)
        return (
            self.lat_deg + math.degrees(north_m / meridian_m),
            self.lon_deg + math.degrees(east_m / (normal_m * math.cos(lat_rad))),
        )


class SensorModel(ABC):
    """One sensor: its identity, and its reading of the true values.

    Args:
        rate_hz: samples per second.
        seed: seed of its noise.
        noise: standard deviation of one sample; None: the default of the class.
    """

    channel: str
    name: str
    noise: float
    lag_s: float = 0.0
    """Time constant of the first-order lag of a tube or probe."""
    delay_s: float = 0.0
    """Delay of the time stamp of the sample."""

    def __init__(self, rate_hz: float, seed: int, noise: float | None = None) -> None:
        self.rate_hz = rate_hz
        if noise is not None:
            self.noise = noise
        self.normal: Iterator[float] = normals(seed, self.channel)

    @property
    def info(self) -> SensorInfo:
        """The metadata of the sensor for a recording."""
        return SensorInfo(self.name, self.rate_hz, self.noise, self.lag_s + self.delay_s)

    @abstractmethod
    def measure(self, now: Motion, t_s: float) -> Sample:
        """The reading of the true values, with the time stamp of the sensor."""


class BaroModel(SensorModel):
    """Static pressure: white noise, a constant error, and a position error of the port."""

    channel, name = "baro", "simulated barometer, 0.1 Pa steps"
    noise = 1.5
    OFFSET_PA = 22.0

    def __init__(
        self,
        rate_hz: float,
        seed: int,
        atmosphere: Atmosphere,
        *,
        noise: float | None = None,
        offset_pa: float | None = None,
        position_error: float = 0.0,
    ) -> None:
        super().__init__(rate_hz, seed, noise)
        self._atmosphere = atmosphere
        self._offset_pa = self.OFFSET_PA if offset_pa is None else offset_pa
        self._position_error = position_error

    def measure(self, now: Motion, t_s: float) -> Baro:
        """Static pressure."""
        pressure = self._atmosphere.pressure_pa(now.state.height_m) + self._offset_pa
        if self._position_error:
            pressure += self._position_error * _impact_pa(now, self._atmosphere)
        return Baro(t_s, _steps(pressure + self.noise * next(self.normal), 0.1, 1))


def _impact_pa(now: Motion, atmosphere: Atmosphere) -> float:
    height_m = now.state.height_m
    return impact_of_tas_pa(now.tas_mps, atmosphere.pressure_pa(height_m), atmosphere.temperature_k(height_m))


class PitotModel(SensorModel):
    """Impact pressure: a short tube lag, white noise and a small zero error."""

    channel, name = "pitot", "simulated differential pressure sensor, 0.1 Pa steps"
    noise = 0.8
    lag_s = 0.05
    OFFSET_PA = 1.2

    def __init__(
        self,
        rate_hz: float,
        seed: int,
        atmosphere: Atmosphere,
        *,
        noise: float | None = None,
        offset_pa: float | None = None,
        lag_s: float | None = None,
        position_error: float = 0.0,
    ) -> None:
        super().__init__(rate_hz, seed, noise)
        self._atmosphere = atmosphere
        self._offset_pa = self.OFFSET_PA if offset_pa is None else offset_pa
        if lag_s is not None:
            self.lag_s = lag_s
        self._passed = 1.0 - math.exp(-1.0 / (rate_hz * self.lag_s)) if self.lag_s > 0.0 else 1.0
        self._tube_pa: float | None = None
        self._passes = 1.0 - position_error

    def measure(self, now: Motion, t_s: float) -> Pitot:
        """Impact pressure of the total airspeed; the direction of the pitot has no effect."""
        impact = self._passes * _impact_pa(now, self._atmosphere)
        tube = impact if self._tube_pa is None else self._tube_pa
        self._tube_pa = tube + self._passed * (impact - tube)
        return Pitot(t_s, _steps(self._tube_pa + self._offset_pa + self.noise * next(self.normal), 0.1, 1))


class _Inertial(SensorModel):
    """Common part of accelerometer and gyro: three axes, bias and mounting error."""

    BIAS: Vector
    STEP: float
    MOUNT_RAD = (math.radians(0.4), math.radians(0.5), math.radians(-0.7))  # heading, pitch, bank

    def __init__(
        self,
        rate_hz: float,
        seed: int,
        *,
        noise: float | None = None,
        bias: Vector | None = None,
        mount_rad: Vector | None = None,
    ) -> None:
        super().__init__(rate_hz, seed, noise)
        self._bias = self.BIAS if bias is None else bias
        self._sensor_to_body: Matrix = matrix(from_euler(*(mount_rad or self.MOUNT_RAD)))

    def _axes(self, truth: Vector) -> Vector:
        x, y, z = apply_inverse(self._sensor_to_body, truth)
        bias, noise, step = self._bias, self.noise, self.STEP
        return (
            _steps(x + bias[0] + noise * next(self.normal), step, 5),
            _steps(y + bias[1] + noise * next(self.normal), step, 5),
            _steps(z + bias[2] + noise * next(self.normal), step, 5),
        )


class AccelModel(_Inertial):
    """Accelerometer: 16 bits over ±8 g. The noise is mostly vibration of the glider, not of the chip."""

    channel, name = "imu_accel", "simulated accelerometer, ±8 g, 16 bit"
    noise = 0.05
    BIAS = (0.04, -0.03, 0.05)
    STEP = 8 * G0_MPS2 / 32768

    def measure(self, now: Motion, t_s: float) -> ImuAccel:
        """Specific force."""
        return ImuAccel(t_s, *self._axes(now.force_mps2))


class GyroModel(_Inertial):
    """Gyro: 16 bits over ±250 deg/s."""

    channel, name = "imu_gyro", "simulated gyro, ±250 deg/s, 16 bit"
    noise = math.radians(0.1)
    BIAS = (math.radians(0.4), math.radians(-0.3), math.radians(0.35))
    STEP = math.radians(250) / 32768

    def measure(self, now: Motion, t_s: float) -> ImuGyro:
        """Body rates."""
        return ImuGyro(t_s, *self._axes(now.rate_radps))


class GnssPosModel(SensorModel):
    """Position: a correlated error with a time constant of a minute, and a little white noise."""

    channel, name = "gnss_pos", "simulated GNSS receiver"
    noise = 0.2
    WANDER_M = (0.9, 0.9, 1.8)

    def __init__(self, rate_hz: float, seed: int, place: GeodeticOrigin) -> None:
        super().__init__(rate_hz, seed)
        self._place = place
        self._wander = [GaussMarkov(sigma, 60.0, 1 / rate_hz, self.normal) for sigma in self.WANDER_M]

    def measure(self, now: Motion, t_s: float) -> GnssPos:
        """Latitude, longitude and height."""
        north, east, up = (w.step() + self.noise * next(self.normal) for w in self._wander)
        lat, lon = self._place.degrees(now.state.north_m + north, now.state.east_m + east)
        return GnssPos(t_s, round(lat, 7), round(lon, 7), round(now.state.height_m + up, 2))


class GnssVelModel(SensorModel):
    """Velocity over ground, with a delay of the time stamp as in real receivers."""

    channel, name = "gnss_vel", "simulated GNSS receiver"
    noise = 0.05
    delay_s = 0.1
    WANDER_MPS = (0.04, 0.04, 0.08)

    def __init__(self, rate_hz: float, seed: int, delay_s: float | None = None) -> None:
        super().__init__(rate_hz, seed)
        if delay_s is not None:
            self.delay_s = delay_s
        self._wander = [GaussMarkov(sigma, 5.0, 1 / rate_hz, self.normal) for sigma in self.WANDER_MPS]

    def measure(self, now: Motion, t_s: float) -> GnssVel:
        """North, east and down velocity."""
        errors = (w.step() + self.noise * next(self.normal) for w in self._wander)
        north, east, down = (round(v + e, 3) for v, e in zip(now.state.velocity_ned_mps, errors, strict=True))
        return GnssVel(t_s, north, east, down)


class OatModel(SensorModel):
    """Outside air temperature from a slow probe that is slightly too warm."""

    channel, name = "oat", "simulated temperature probe"
    noise = 0.1
    lag_s = 15.0
    OFFSET_K = 0.3

    def __init__(self, rate_hz: float, seed: int, atmosphere: Atmosphere) -> None:
        super().__init__(rate_hz, seed)
        self._atmosphere = atmosphere
        self._passed = 1.0 - math.exp(-1.0 / (rate_hz * self.lag_s))
        self._probe_k: float | None = None

    def measure(self, now: Motion, t_s: float) -> Oat:
        """Air temperature."""
        air_k = self._atmosphere.temperature_k(now.state.height_m)
        probe = air_k if self._probe_k is None else self._probe_k
        self._probe_k = probe + self._passed * (air_k - probe)
        return Oat(t_s, _steps(self._probe_k + self.OFFSET_K + self.noise * next(self.normal), 0.0625, 4))


def _steps(value: float, step: float, digits: int) -> float:
    """Round to the nearest whole step, without the digits of the binary fraction."""
    return round(round(value / step) * step, digits)
