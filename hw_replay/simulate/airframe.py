"""The data of the simulated glider that determine its forces: polar, mass, wing and coefficients."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.isa import G0_MPS2, SEA_LEVEL_KGPM3
from hw_replay.quadratic import quadratic_through


@dataclass(frozen=True, slots=True)
class AirframePolar:
    """Sink in a steady straight glide, a V² + b V + c, m/s, at sea-level density."""

    a: float
    b: float
    c: float

    @classmethod
    def through(cls, *points: tuple[float, float]) -> AirframePolar:
        """The polar through three pairs of airspeed and sink, both in m/s."""
        return cls(*quadratic_through(points))

    def sink_mps(self, tas_mps: float, load: float = 1.0, density_kgpm3: float = SEA_LEVEL_KGPM3) -> float:
        """Sink equivalent to the drag at an airspeed, load factor and density, m/s.

        At constant lift coefficient, speed is proportional to the square root of load over density, and sink
        to the load to the power of 1.5 (Welch and Irving, The Complete Soaring Pilot's Handbook, on turns).
        """
        thin = math.sqrt(SEA_LEVEL_KGPM3 / density_kgpm3)
        root = math.sqrt(load)
        eas = tas_mps / thin
        return thin * root * (self.a * eas * eas + self.b * eas * root + self.c * load)


@dataclass(frozen=True, slots=True)
class Airframe:
    """The data of the glider, SI units."""

    polar: AirframePolar
    mass_kg: float
    wing_area_m2: float
    lift_slope: float = 5.5  # per radian, for a wing of aspect ratio about 18
    zero_lift_rad: float = math.radians(-6.4)  # the fuselage is level at about 100 km/h
    stall_rad: float = math.radians(8.0)
    side_force_slope: float = 0.35  # per radian of sideslip, on the wing area: fuselage and fin
    brake_area_m2: float = 1.1  # drag area of the fully open airbrakes

    @property
    def alpha_scale(self) -> float:
        """Angle of attack above zero lift = this value times load / (density · airspeed²)."""
        return 2.0 * self.mass_kg * G0_MPS2 / (self.wing_area_m2 * self.lift_slope)


QUENDEL_2 = Airframe(
    polar=AirframePolar.through((85 / 3.6, 0.72), (110 / 3.6, 0.82), (170 / 3.6, 1.95)),
    mass_kg=520.0,
    wing_area_m2=17.5,
)
"""The fictional two-seater of the demo, with the data of config/gliders/quendel_2.toml."""
