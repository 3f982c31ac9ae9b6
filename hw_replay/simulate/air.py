"""The air of a simulated flight: its pressure and temperature, the wind, thermals and turbulence.

The air is a fixed function of time and position, so it does not depend on how the glider is flown.
Positions are metres north and east of the field. Heights are metres above sea level unless stated
otherwise. Vertical velocity of the air is positive up.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from drivers.isa import EXPONENT, GAS_CONSTANT, LAPSE_KPM, SEA_LEVEL_K, SEA_LEVEL_PA
from hw_replay.simulate.gust import Gust


@dataclass(frozen=True, slots=True)
class Atmosphere:
    """Hydrostatic atmosphere with another sea-level pressure and temperature than the standard one.

    Source: the layer equation of the US Standard Atmosphere 1976 below 11 km, with the sea-level
    values replaced. In warm air the pressure decreases more slowly with height, so a pressure altimeter
    shows too small changes of height. This is a real effect and is simulated.
    """

    sea_level_pa: float = SEA_LEVEL_PA
    warmer_k: float = 0.0

    def temperature_k(self, height_m: float) -> float:
        """Air temperature at a height, K."""
        return SEA_LEVEL_K + self.warmer_k - LAPSE_KPM * height_m

    def pressure_pa(self, height_m: float) -> float:
        """Static pressure at a height, Pa."""
        ratio = 1.0 - LAPSE_KPM * height_m / (SEA_LEVEL_K + self.warmer_k)
        return self.sea_level_pa * math.pow(ratio, EXPONENT)

    def density_kgpm3(self, height_m: float) -> float:
        """Air density."""
        return self.pressure_pa(height_m) / (GAS_CONSTANT * self.temperature_k(height_m))


class WindProfile(Protocol):
    """A steady wind as a function of height. Thermals and turbulence drift with `north_mps`, `east_mps`."""

    @property
    def north_mps(self) -> float:
        """Drift velocity of thermals and turbulence to the north."""

    @property
    def east_mps(self) -> float:
        """Drift velocity of thermals and turbulence to the east."""

    def velocity_mps(self, above_field_m: float) -> tuple[float, float]:
        """Velocity of the air north and east at a height."""


@dataclass(frozen=True, slots=True)
class PowerLawWind:
    """A steady wind that increases with height.

    `north_mps` and `east_mps` are the velocity of the air at `at_m` above the field. At other heights it
    follows the one-seventh power law, common engineering practice for the lowest kilometre
    (Peterson and Hennessey, J. Appl. Meteorology 17, 1978).
    """

    north_mps: float = 0.0
    east_mps: float = 0.0
    at_m: float = 500.0

    def factor(self, above_field_m: float) -> float:
        """Wind speed as a fraction of that at `at_m`; it is constant in the lowest two metres."""
        return math.pow(max(above_field_m, 2.0) / self.at_m, 1.0 / 7.0)

    def velocity_mps(self, above_field_m: float) -> tuple[float, float]:
        """Velocity of the air north and east at a height."""
        factor = self.factor(above_field_m)
        return self.north_mps * factor, self.east_mps * factor


# k1 to k4 of the updraft's shape by the ratio r1/r2, and the ratio up to which each row holds.
_SHAPES = (
    (0.195, 1.5352, 2.5826, -0.0113, -0.1950),
    (0.305, 1.5265, 3.6054, -0.0176, -0.1265),
    (0.415, 1.4866, 4.8356, -0.0320, -0.0818),
    (0.525, 1.2042, 7.7904, 0.0848, -0.0445),
    (0.635, 0.8816, 13.9720, 0.3404, -0.0216),
    (0.745, 0.7067, 23.9940, 0.5689, -0.0099),
    (math.inf, 0.6189, 42.7965, 0.7157, -0.0033),
)


@dataclass(frozen=True, slots=True)
class ThermalModel:
    """One updraft, by a published model that is based on measurements.

    Source: Allen, "Updraft Model for Development of Autonomous Soaring Uninhabited Air Vehicles",
    AIAA 2006-1510 (NASA TM-2006-214019). The form is that of the code in the paper's appendix B, whose
    fourth shape coefficient is the negative one (its table 3 lists the fifth column instead). The model
    changes its shape in steps of r1/r2; with `top_m` up to 2000 m a glider above 50 m meets none of them.

    Attributes:
        north_m: distance north of the field at time 0; the thermal drifts with the wind.
        east_m: distance east of the field at time 0.
        scale_mps: convective velocity scale w* of the day.
        top_m: depth of the convective layer above the field.
        width: width of this thermal, relative to the mean width of the model.
    """

    north_m: float
    east_m: float
    scale_mps: float
    top_m: float
    width: float = 1.0

    def radius_m(self, above_field_m: float) -> float:
        """Outer radius r2 at a height."""
        return self.width * self._mean_radius_m(above_field_m / self.top_m)

    def _mean_radius_m(self, zz: float) -> float:
        return max(10.0, 0.102 * math.pow(zz, 1 / 3) * (1 - 0.25 * zz) * self.top_m)

    def mean_mps(self, above_field_m: float) -> float:
        """Mean updraft within `radius_m` at a height."""
        zz = above_field_m / self.top_m
        return self.scale_mps * math.pow(zz, 1 / 3) * (1 - 1.1 * zz)

    def updraft_mps(self, distance_m: float, above_field_m: float, sink_mps: float = 0.0) -> float:
        """Vertical air velocity at a distance from the core.

        Args:
            distance_m: horizontal distance from the core.
            above_field_m: height above the field.
            sink_mps: velocity of the air around the thermals, zero or negative.
        """
        zz = above_field_m / self.top_m
        if not 0.0 < zz < 1.0:
            return sink_mps
        x = distance_m / self.radius_m(above_field_m)
        mean = self.mean_mps(above_field_m)
        r2 = self._mean_radius_m(zz)
        ratio = 0.0011 * r2 + 0.14 if r2 < 600.0 else 0.8  # r1/r2: fraction of the radius that is core
        core = 3.0 * mean * (1.0 - ratio) / (1.0 - ratio**3)
        k1, k2, k3, k4 = next(row[1:] for row in _SHAPES if ratio < row[0])
        shape = max(0.0, 1.0 / (1.0 + math.pow(k1 * abs(x + k3), k2)) + k4 * x)
        edge = 0.0
        if ratio < x < 2.0 and 0.5 < zz <= 0.9:
            edge = min(0.0, 2.5 * (zz - 0.5) * math.pi / 6.0 * math.sin(math.pi * x))
        up = shape * core + edge * mean
        if x > ratio and core > 0.0:
            up = up * (1.0 - sink_mps / core) + sink_mps
        return up


class TurbulenceModel:
    """Turbulence as a frozen, incompressible field of random waves that drifts with the wind.

    The energy follows Kolmogorov's -5/3 law between two wavelengths. The shorter one is about the span of
    the glider, because a wing averages smaller waves. Each wave moves the air perpendicular to its wave
    vector, so the field has no divergence.

    Args:
        sigma_mps: standard deviation of each component; 0 is still air.
        seed: seed of the waves.
    """

    WAVES = 20
    SHORTEST_M, LONGEST_M = 25.0, 600.0

    def __init__(self, sigma_mps: float, seed: int) -> None:
        self._waves: list[tuple[float, ...]] = []
        if sigma_mps < 1e-6:  # 1 µm/s counts as still air; a smaller value would underflow when squared
            return
        generator = np.random.default_rng([seed, 1])
        ratio = self.LONGEST_M / self.SHORTEST_M
        numbers = [math.tau / self.SHORTEST_M * ratio ** (-i / (self.WAVES - 1)) for i in range(self.WAVES)]
        energies = [k ** (-2 / 3) for k in numbers]  # E(k) dk for equal steps of log k
        # A unit vector of random direction has a mean square of 1/3 in each component, a sine of 1/2.
        scale = 6.0 * sigma_mps**2 / math.fsum(energies)
        for k, energy in zip(numbers, energies, strict=True):
            along = generator.standard_normal(3).tolist()
            across = generator.standard_normal(3).tolist()
            length = math.sqrt(math.fsum(c * c for c in along))
            along = [c / length for c in along]
            overlap = math.fsum(a * c for a, c in zip(across, along, strict=True))
            across = [c - overlap * a for a, c in zip(along, across, strict=True)]
            length = math.sqrt(math.fsum(c * c for c in across)) / math.sqrt(scale * energy)
            phase = math.tau * float(generator.random())
            self._waves.append((*(k * a for a in along), phase, *(c / length for c in across)))

    def velocity_mps(self, north_m: float, east_m: float, height_m: float) -> tuple[float, float, float]:
        """Gust velocity north, east and up, m/s, at a position in the drifting field."""
        n = e = u = 0.0
        for kn, ke, ku, phase, an, ae, au in self._waves:
            s = math.sin(kn * north_m + ke * east_m + ku * height_m + phase)
            n += an * s
            e += ae * s
            u += au * s
        return n, e, u


class AirModel:
    """The air mass: atmosphere, wind, thermals, turbulence and gusts.

    Args:
        atmosphere: pressure and temperature.
        field_m: height of the field (the ground is flat at this height).
        wind: steady wind.
        thermals: updrafts; where they overlap, the strongest one is used.
        sink_mps: vertical velocity between thermals, zero or negative.
        turbulence_mps: standard deviation of the turbulence.
        seed: seed of the turbulence.
        gusts: single gusts, the same everywhere.
    """

    def __init__(
        self,
        atmosphere: Atmosphere,
        *,
        field_m: float = 0.0,
        wind: WindProfile | None = None,
        thermals: Sequence[ThermalModel] = (),
        sink_mps: float = 0.0,
        turbulence_mps: float = 0.0,
        seed: int = 0,
        gusts: Sequence[Gust] = (),
    ) -> None:
        self.atmosphere = atmosphere
        self.field_m = field_m
        self.wind: WindProfile = wind or PowerLawWind()
        self.thermals = tuple(thermals)
        # Beyond three radii a thermal has no effect; its radius increases with height.
        reaches_m = [3.0 * thermal.radius_m(thermal.top_m) for thermal in self.thermals]
        # Sorted from south to north, so that only the thermals nearby are evaluated.
        self._northward = sorted(zip(self.thermals, reaches_m, strict=True), key=lambda pair: pair[0].north_m)
        self._norths_m = [thermal.north_m for thermal, _ in self._northward]
        self._farthest_m = max(reaches_m, default=0.0)
        self.sink_mps = sink_mps
        self._turbulence = TurbulenceModel(turbulence_mps, seed)
        self._gusts = tuple(gusts)

    def thermal_at(self, index: int, t_s: float) -> tuple[float, float]:
        """Position of the core of a thermal at a time: metres north and east of the field."""
        thermal = self.thermals[index]
        return thermal.north_m + self.wind.north_mps * t_s, thermal.east_m + self.wind.east_mps * t_s

    def velocity_mps(
        self, t_s: float, north_m: float, east_m: float, height_m: float
    ) -> tuple[float, float, float]:
        """Velocity of the air north, east and up, m/s."""
        above_m = height_m - self.field_m
        wind = self.wind
        drifted_n = north_m - wind.north_mps * t_s
        drifted_e = east_m - wind.east_mps * t_s
        up = None
        for place in range(bisect_left(self._norths_m, drifted_n - self._farthest_m), len(self._norths_m)):
            thermal, reach_m = self._northward[place]
            if thermal.north_m > drifted_n + self._farthest_m:
                break
            distance = math.hypot(drifted_n - thermal.north_m, drifted_e - thermal.east_m)
            if distance < reach_m:
                here = thermal.updraft_mps(distance, above_m, self.sink_mps)
                up = here if up is None else max(up, here)
        if up is None:
            up = self.sink_mps
        # At the ground the vertical velocity of thermals, sink and gusts is zero.
        near_ground = min(1.0, max(0.0, above_m) / 60.0)
        gust_n, gust_e, gust_u = self._turbulence.velocity_mps(drifted_n, drifted_e, height_m)
        for gust in self._gusts:
            share = gust.share(t_s)
            gust_n += gust.north_mps * share
            gust_e += gust.east_mps * share
            gust_u += gust.up_mps * share
        wind_n, wind_e = wind.velocity_mps(above_m)
        return (
            wind_n + gust_n,
            wind_e + gust_e,
            (up + gust_u) * near_ground,
        )
