"""Two polars through published points, limits, and an energy state, as examples for arithmetic.

The points of TRAINER (31 kt 1.6, 42 kt 1.9, 62 kt 3.2 kt) are from a public tutorial on polars. CLUB (80 km/h
0.60, 100 km/h 0.70, 150 km/h 1.50 m/s) and its limits are made up and belong to no glider.
"""

from __future__ import annotations

from hypothesis import strategies as st

from drivers import isa
from vario.flight.core.polar import QuadraticPolar
from vario.flight.motion.energy import Energy
from vario.settings.glider import Limits, Polar

KMH = 1 / 3.6


def through(*points: tuple[str, str]) -> QuadraticPolar:
    polar = Polar.model_validate({"points": [list(point) for point in points]})
    return QuadraticPolar(*polar.coefficients)


TRAINER = through(("31 kt", "1.6 kt"), ("42 kt", "1.9 kt"), ("62 kt", "3.2 kt"))
CLUB = through(("80 km/h", "0.60 m/s"), ("100 km/h", "0.70 m/s"), ("150 km/h", "1.50 m/s"))
POLARS = st.sampled_from([TRAINER, CLUB])
LIMITS = Limits.model_validate(
    {"stall": "68 km/h", "manoeuvring": "175 km/h", "rough_air": "175 km/h", "never_exceed": "250 km/h"}
)


def energy_at(height_m: float) -> Energy:
    density = isa.density_kgpm3(isa.pressure_pa(height_m), isa.temperature_k(height_m))
    return Energy(height_m, 0.0, 30.0, 30.0, density, 0.0, height_m, compensated=True)
