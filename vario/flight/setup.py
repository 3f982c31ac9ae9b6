"""What settings and glider file make of the stages: today's polar, the wing, the estimator's figures."""

from __future__ import annotations

from vario.flight.core.polar import QuadraticPolar
from vario.flight.estimate.inertial_model import Wing
from vario.flight.estimate.result import EstimatorSettings
from vario.flight.inputs.quality import Quality
from vario.flight.motion.energy import Noise
from vario.settings.fitted import Sensors
from vario.settings.glider import Glider
from vario.settings.schema import Settings


def present_polar(settings: Settings, glider: Glider | None) -> tuple[QuadraticPolar | None, float]:
    """The glider's polar at its present mass and bugs, and that mass over the reference mass."""
    if glider is None:
        return None, 1.0
    dry_kg = settings.flight.mass_kg or glider.reference_mass_kg
    mass_ratio = (dry_kg + settings.flight.ballast_kg) / glider.reference_mass_kg
    return QuadraticPolar.of(glider).loaded(mass_ratio).dirty(settings.flight.bugs), mass_ratio


def fitted_flags(sensors: Sensors) -> Quality:
    """What would be missing if the sensors named in the settings gave nothing."""
    flags = Quality.OK
    for sensor, flag in (
        (sensors.baro, Quality.NO_BARO),
        (sensors.pitot, Quality.NO_AIRSPEED),
        (sensors.imu, Quality.NO_IMU),
    ):
        if sensor.chip is not None:
            flags |= flag
    return flags


def wing_of(settings: Settings, glider: Glider | None) -> Wing:
    """The wing as the estimator sees it; a typical one, without a polar, if no glider is named."""
    if glider is None:
        return Wing.loaded()
    polar, mass_ratio = present_polar(settings, glider)
    return Wing.loaded(mass_ratio * glider.reference_mass_kg / glider.wing_area_m2, polar)


def estimator_settings(settings: Settings, glider: Glider | None, noise: Noise) -> EstimatorSettings:
    """The estimator's settings for this glider and these sensors."""
    sensors = settings.sensors
    return EstimatorSettings(
        wing_of(settings, glider),
        baro_pa=noise.baro_pa,
        pitot_pa=noise.pitot_pa,
        baro_latency_s=sensors.baro.latency_s,
        pitot_lag_s=sensors.pitot.lag_s,
        lever_m=(sensors.imu.forward_m, sensors.imu.right_m, sensors.imu.below_m),
        gust_memory_s=settings.vario.gust_memory_s,
    )
