"""The parameters of the estimator, and its output of each frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from drivers.quick import dataclass
from vario.flight.core.innovation import Innovation
from vario.flight.core.vectors import Vector
from vario.flight.estimate.inertial_model import InertialNoise, Wing
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.energy import Energy


@dataclass(frozen=True, slots=True)
class EstimatorSettings:
    """Noise of one sample, delays, position of the instrument, and gust rejection.

    Attributes:
        wing: lift constant and polar of the glider.
        noise: noise parameters of the inertial filter.
        baro_pa: white noise of a static pressure, Pa. `pitot_pa` likewise.
        baro_latency_s: age of a static pressure when it arrives.
        pitot_lag_s: time constant of the pitot tubing.
        lever_m: position of the sensor relative to the centre of gravity, body axes.
        gust_rejection_time_s: how long a change of head wind is excluded from the vario of the pilot. A
            longer time rejects more; a lasting wind gradient, which is real energy, is shown only after this
            time.
        energy_psd: acceleration noise of the airspeed-based vario, m²/s³.
        learns: whether the airspeed-based vario learns its noise parameters from sparse samples.
    """

    wing: Wing
    noise: InertialNoise = field(default_factory=InertialNoise)
    baro_pa: float = 1.2
    pitot_pa: float = 0.5
    baro_latency_s: float = 0.0
    pitot_lag_s: float = 0.0
    lever_m: Vector = (0.0, 0.0, 0.0)
    gust_rejection_time_s: float = 30.0
    energy_psd: float = 0.15
    learns: bool = True


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """Inner values of the estimator: both varios, biases, consistency. None: not known.

    Attributes:
        gust_free_mps: total energy from the inertial unit, free of horizontal gusts.
        airspeed_based_mps: total energy from the pressures alone.
        vario_sigma_mps: one standard deviation of the vario shown.
        attitude_sigma_rad: one standard deviation of pitch and bank.
        measured_height_m: height from the latest pressures, with the zero of `Energy.energy_altitude_m`.
        measured_tas_mps: airspeed of the latest pressures, unfiltered.
        air_up_mps: rise of the air computed as climb minus climb through the air; a check of netto, accurate
            to a few tenths of a m/s.
        gyro_bias_radps, accel_bias_mps2: estimated, sensor turned to body axes.
        nis: mean normalised innovation squared by measurement; about 1 if the filter is consistent.
        innovations: those of the last correction by measurement, empty in frames without one.
    """

    gust_free_mps: float | None = None
    airspeed_based_mps: float | None = None
    vario_sigma_mps: float | None = None
    attitude_sigma_rad: float | None = None
    measured_height_m: float | None = None
    measured_tas_mps: float | None = None
    air_up_mps: float | None = None
    gyro_bias_radps: Vector | None = None
    accel_bias_mps2: Vector | None = None
    nis: Mapping[str, float] = field(default_factory=dict)
    innovations: Mapping[str, Innovation] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Estimate:
    """The estimate at the end of a frame.

    Attributes:
        has_airspeed: the sensor delivers, and its values are accepted.
        imu_trusted: the inertial unit has not contradicted itself or the other sensors recently.
        imu_against_baro: it has, and the barometer may be the cause.
        wind: north, east and one standard deviation, m/s, while velocities over ground determine it.
        baro_suspect: the inertial filter contradicts the barometer, but not the velocity over ground.
        mass_too_small: the lift curve shows a larger mass than that of the settings.
    """

    attitude: Attitude | None
    energy: Energy
    diagnostics: Diagnostics
    has_airspeed: bool
    imu_trusted: bool = True
    imu_against_baro: bool = False
    wind: Vector | None = None
    baro_suspect: bool = False
    mass_too_small: bool = False
