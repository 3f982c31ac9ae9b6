"""The configuration of the stages, computed once from settings and glider file and passed to all of them."""

from __future__ import annotations

from dataclasses import dataclass, field

from vario.flight.core.polar import QuadraticPolar
from vario.flight.inputs.quality import Quality
from vario.flight.motion.energy import Noise
from vario.settings.fitted import Sensors
from vario.settings.glider import Glider, Limits
from vario.settings.schema import Settings


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
        expected_sensors: the flags that would be set if no configured sensor delivered anything.
    """

    settings: Settings = field(default_factory=Settings)
    noise: Noise = field(default_factory=lambda: Noise(baro_pa=1.2, pitot_pa=0.5))
    polar: QuadraticPolar | None = None
    limits: Limits | None = None
    mass_ratio: float = 1.0
    wing_loading_kgpm2: float | None = None
    expected_sensors: Quality = Quality.OK
    longest_step_s: float = 0.0

    @classmethod
    def of(
        cls, settings: Settings, glider: Glider | None, noise: Noise, longest_step_s: float = 0.0
    ) -> Setup:
        """The setup for one glider, or for none."""
        expected = expected_sensors(settings.sensors)
        if glider is None:
            return cls(settings, noise, expected_sensors=expected, longest_step_s=longest_step_s)
        dry_kg = settings.flight.mass_kg or glider.reference_mass_kg
        mass_ratio = (dry_kg + settings.flight.ballast_kg) / glider.reference_mass_kg
        return cls(
            settings,
            noise,
            effective_polar(glider, mass_ratio, settings.flight.bugs),
            glider.limits,
            mass_ratio,
            mass_ratio * glider.reference_mass_kg / glider.wing_area_m2,
            expected,
            longest_step_s,
        )

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
