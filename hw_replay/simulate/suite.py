"""All simulated sensors, with errors that can be set."""

from __future__ import annotations

from dataclasses import dataclass

from hw_replay.simulate.air import Atmosphere
from hw_replay.simulate.rotation import Vector
from hw_replay.simulate.sensors import (
    AccelModel,
    BaroModel,
    GeodeticOrigin,
    GnssPosModel,
    GnssVelModel,
    GyroModel,
    OatModel,
    PitotModel,
    Rates,
    SensorModel,
)


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors of the sensors; None means the default of the class.

    Noise is the standard deviation of one sample. Biases are for x, y, z; the mounting is heading,
    pitch, bank. A position error is the error of the static port of the sensor, as a fraction
    of the impact pressure.
    """

    baro_noise_pa: float | None = None
    baro_offset_pa: float | None = None
    baro_position_error: float = 0.0
    pitot_noise_pa: float | None = None
    pitot_offset_pa: float | None = None
    pitot_lag_s: float | None = None
    pitot_position_error: float = 0.0
    accel_noise_mps2: float | None = None
    accel_bias_mps2: Vector | None = None
    gyro_noise_radps: float | None = None
    gyro_bias_radps: Vector | None = None
    mount_rad: Vector | None = None
    gnss_delay_s: float | None = None


def suite(
    rates: Rates, seed: int, atmosphere: Atmosphere, place: GeodeticOrigin, errors: Errors | None = None
) -> list[SensorModel]:
    """All sensors, in the order in which they report at one time."""
    e = errors or Errors()
    return [
        BaroModel(
            rates.baro_hz,
            seed,
            atmosphere,
            noise=e.baro_noise_pa,
            offset_pa=e.baro_offset_pa,
            position_error=e.baro_position_error,
        ),
        PitotModel(
            rates.pitot_hz,
            seed,
            atmosphere,
            noise=e.pitot_noise_pa,
            offset_pa=e.pitot_offset_pa,
            lag_s=e.pitot_lag_s,
            position_error=e.pitot_position_error,
        ),
        AccelModel(
            rates.imu_hz, seed, noise=e.accel_noise_mps2, bias=e.accel_bias_mps2, mount_rad=e.mount_rad
        ),
        GyroModel(
            rates.imu_hz, seed, noise=e.gyro_noise_radps, bias=e.gyro_bias_radps, mount_rad=e.mount_rad
        ),
        GnssPosModel(rates.gnss_hz, seed, place),
        GnssVelModel(rates.gnss_hz, seed, e.gnss_delay_s),
        OatModel(rates.oat_hz, seed, atmosphere),
    ]
