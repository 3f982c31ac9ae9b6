"""Build the parts of a simulated flight from the tables of a scenario file."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from drivers.isa import SEA_LEVEL_KGPM3
from hw_replay.simulate.air import PowerLawWind, ThermalModel, WindProfile
from hw_replay.simulate.airframe import QUENDEL_2, Airframe, AirframePolar
from hw_replay.simulate.faults import Fault
from hw_replay.simulate.gust import Gust, LayeredWind
from hw_replay.simulate.sensors import AccelModel, GyroModel
from hw_replay.simulate.suite import Errors
from vario.app.simulate.schema import ScenarioFile
from vario.app.simulate.tables import FaultTable, GustTable, ThermalTable, WindLayerTable
from vario.settings.glider import Glider

LEVEL_AT_MPS = 100 / 3.6
"""Airspeed at which the fuselage of a simulated glider is level, at its reference mass: common practice."""


def airframe_of(glider: Glider | None, mass_kg: float | None) -> Airframe:
    """The glider of the glider file, or the built-in one, at a mass."""
    if glider is None:
        reference, polar, area = QUENDEL_2.mass_kg, QUENDEL_2.polar, QUENDEL_2.wing_area_m2
    else:
        reference, polar, area = (
            glider.reference_mass_kg,
            AirframePolar(*glider.polar.coefficients),
            glider.wing_area_m2,
        )
    mass = reference if mass_kg is None else mass_kg
    # At constant lift coefficient, speed and sink are proportional to the square root of the mass.
    root = math.sqrt(mass / reference)
    frame = Airframe(AirframePolar(polar.a / root, polar.b, polar.c * root), mass, area)
    # The wing incidence belongs to the reference mass; the stall speed is that of the glider file.
    light = Airframe(polar, reference, area)
    zero_lift = -light.alpha_scale / (SEA_LEVEL_KGPM3 * LEVEL_AT_MPS**2)
    if glider is None:
        return Airframe(frame.polar, mass, area)
    stall = zero_lift + light.alpha_scale / (SEA_LEVEL_KGPM3 * glider.limits.stall_mps**2)
    return Airframe(frame.polar, mass, area, zero_lift_rad=zero_lift, stall_rad=stall)


def wind_of(top: ScenarioFile, layers: Sequence[WindLayerTable]) -> WindProfile:
    """The wind: from the layers if there are any, else from the power law.

    Raises:
        ValueError: if two layers have the same height.
    """
    if layers:
        ordered = sorted(layers, key=lambda layer: layer.height_m)
        return LayeredWind(
            [(layer.height_m, *_towards(layer.from_rad, layer.speed_mps)) for layer in ordered]
        )
    return PowerLawWind(*_towards(top.wind.from_rad, top.wind.speed_mps), top.wind.at_m)


def _towards(from_rad: float, speed_mps: float) -> tuple[float, float]:
    return -speed_mps * math.cos(from_rad), -speed_mps * math.sin(from_rad)


def thermal_of(thermal: ThermalTable) -> ThermalModel:
    """An updraft."""
    return ThermalModel(thermal.north_m, thermal.east_m, thermal.scale_mps, thermal.top_m, thermal.width)


def gust_of(gust: GustTable) -> Gust:
    """A single gust."""
    lasts_s = math.inf if gust.lasts_s is None else gust.lasts_s
    return Gust(gust.at_s, gust.rise_s, lasts_s, gust.north_mps, gust.east_mps, gust.up_mps)


def fault_of(fault: FaultTable) -> Fault:
    """A fault of a sensor."""
    return Fault(
        channel=fault.channel,
        kind=fault.kind,
        from_s=fault.from_s,
        until_s=math.inf if fault.until_s is None else fault.until_s,
        size=fault.size or 0.0,
        share=fault.share,
        by_s=fault.by_s or 0.0,
        every_s=fault.every_s,
        lasts_s=fault.lasts_s,
    )


def errors_of(top: ScenarioFile) -> Errors:
    """The errors of the sensors; a value of None means that of a typical module."""
    sensors = top.sensors
    accel, gyro, mount = sensors.accel, sensors.gyro, sensors.mount
    return Errors(
        baro_noise_pa=sensors.baro.noise_pa,
        baro_offset_pa=sensors.baro.offset_pa,
        baro_position_error=sensors.baro.position_error,
        pitot_noise_pa=sensors.pitot.noise_pa,
        pitot_offset_pa=sensors.pitot.offset_pa,
        pitot_lag_s=sensors.pitot.lag_s,
        pitot_position_error=sensors.pitot.position_error,
        accel_noise_mps2=accel.noise_mps2,
        accel_bias_mps2=_filled((accel.bias_x_mps2, accel.bias_y_mps2, accel.bias_z_mps2), AccelModel.BIAS),
        gyro_noise_radps=gyro.noise_radps,
        gyro_bias_radps=_filled((gyro.bias_x_radps, gyro.bias_y_radps, gyro.bias_z_radps), GyroModel.BIAS),
        mount_rad=_filled((mount.yaw_rad, mount.pitch_rad, mount.roll_rad), AccelModel.MOUNT_RAD),
        gnss_delay_s=sensors.gnss.delay_s,
    )


def _filled(given: Iterable[float | None], usual: tuple[float, float, float]) -> tuple[float, float, float]:
    """The given values; axes without a value get the default."""
    x, y, z = (u if g is None else g for g, u in zip(given, usual, strict=True))
    return x, y, z
