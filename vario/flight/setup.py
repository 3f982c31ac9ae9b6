"""The configuration of the stages, computed once from settings and glider file and passed to all of them."""

from __future__ import annotations

import math
from dataclasses import field, replace

from drivers.isa import altitude_m as pressure_altitude_m
from drivers.quick import dataclass
from vario.flight.core.polar import QuadraticPolar
from vario.flight.inputs.quality import Quality
from vario.flight.motion.energy import Noise
from vario.settings.glider import Glider, Limits
from vario.settings.hardware import Sensors
from vario.settings.schema import Settings

USUAL_NOISE = Noise(baro_pa=1.5, pitot_pa=1.0)
"""Of good small sensors, where neither the settings nor the recording state it."""


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything a stage is configured with.

    Attributes:
        settings: the settings in force.
        noise: white noise of one pressure sample.
        polar: at the present mass and bugs; None without a glider file.
        limits: airspeed limits at the reference mass; None without a glider file.
        mass_ratio: present mass over reference mass.
        wing_loading_kgpm2: at the present mass; None without a glider file.
        longest_step_s: longest usual time between samples of a sparse recording; 0: dense, or live.
        learned_flying_mps: flying speed learned from an imported recording; None: not known, or live.
        qnh_level_m: pressure altitude at which the pressure is the QNH of the settings; None without QNH.
        expected_sensors: the flags that would be set if no configured sensor delivered anything.
    """

    settings: Settings = field(default_factory=Settings)
    noise: Noise = USUAL_NOISE
    polar: QuadraticPolar | None = None
    limits: Limits | None = None
    mass_ratio: float = 1.0
    wing_loading_kgpm2: float | None = None
    expected_sensors: Quality = Quality.OK
    longest_step_s: float = 0.0
    learned_flying_mps: float | None = None
    qnh_level_m: float | None = None

    @classmethod
    def of(
        cls,
        settings: Settings,
        glider: Glider | None,
        noise: Noise,
        longest_step_s: float = 0.0,
        learned_flying_mps: float | None = None,
    ) -> Setup:
        """The setup for one glider, or for none."""
        qnh_pa = settings.display.qnh_pa
        setup = cls(
            settings,
            noise,
            expected_sensors=expected_sensors(settings.sensors),
            longest_step_s=longest_step_s,
            learned_flying_mps=learned_flying_mps,
            qnh_level_m=None if qnh_pa is None else pressure_altitude_m(qnh_pa),
        )
        if glider is None:
            return setup
        dry_kg = settings.flight.mass_kg or glider.reference_mass_kg
        mass_ratio = (dry_kg + settings.flight.ballast_kg) / glider.reference_mass_kg
        return replace(
            setup,
            polar=effective_polar(glider, mass_ratio, settings.flight.bugs),
            limits=glider.limits,
            mass_ratio=mass_ratio,
            wing_loading_kgpm2=mass_ratio * glider.reference_mass_kg / glider.wing_area_m2,
        )

    def qnh_altitude_m(self, pressure_altitude_m: float | None) -> float | None:
        """What an altimeter set to the QNH shows; None without QNH or pressure altitude.

        The setting of an altimeter shifts its scale of pressure altitude so that it shows 0 at the set
        pressure (ICAO Doc 7488, introduction; FAA-H-8083-25, chapter 8).
        """
        if self.qnh_level_m is None or pressure_altitude_m is None:
            return None
        return pressure_altitude_m - self.qnh_level_m

    @property
    def stall_mps(self) -> float | None:
        """Stall speed at the present mass: it grows with the root of the mass. None without a glider file."""
        return None if self.limits is None else self.limits.stall_mps * math.sqrt(self.mass_ratio)

    @property
    def circling_sink_mps(self) -> float:
        """Sink while circling as the settings say, at sea-level density; 0 without a glider file."""
        circling = self.settings.circling
        if self.polar is None:
            return 0.0
        return self.polar.circling_sink_mps(circling.bank_rad, circling.speed_mps)

    @property
    def maccready_mps(self) -> float:
        """The pilot's MacCready value."""
        return self.settings.flight.maccready_mps


def effective_polar(glider: Glider, mass_ratio: float, bugs: float) -> QuadraticPolar:
    """The glider's polar at its present mass and bugs."""
    return QuadraticPolar.of(glider).loaded(mass_ratio).dirty(bugs)


def expected_sensors(sensors: Sensors) -> Quality:
    """The flags that would be set if none of these sensors delivered anything."""
    flags = Quality.OK
    for sensor, flag in (
        (sensors.baro, Quality.NO_BARO),
        (sensors.pitot, Quality.NO_AIRSPEED),
        (sensors.imu, Quality.NO_IMU),
    ):
        if sensor.chip is not None:
            flags |= flag
    return flags
