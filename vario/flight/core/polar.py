"""The glider's polar: sink over airspeed, load, mass and air density.

Sink is positive down, as in a flight manual. The quadratic is valid from the speed of minimum sink upwards;
below it a real polar rises steeply, so lower speeds are replaced by the speed of minimum sink.
"""

from __future__ import annotations

import math
from dataclasses import replace

from drivers.isa import SEA_LEVEL_KGPM3
from drivers.quick import dataclass
from vario.settings.glider import Glider


@dataclass(frozen=True, slots=True)
class QuadraticPolar:
    """Sink = a·V² + b·V + c at sea-level density, V and sink in m/s."""

    a: float
    b: float
    c: float

    @classmethod
    def of(cls, glider: Glider) -> QuadraticPolar:
        """The polar of a glider file, at its reference mass, clean."""
        return cls(*glider.polar.coefficients)

    def loaded(self, mass_ratio: float) -> QuadraticPolar:
        """At `mass_ratio` times the reference mass: speeds and sinks both grow with the root of the ratio."""
        root = math.sqrt(mass_ratio)
        return QuadraticPolar(self.a / root, self.b, self.c * root)

    def dirty(self, bugs: float) -> QuadraticPolar:
        """With all sink larger by the fraction `bugs`."""
        return replace(self, a=self.a * (1 + bugs), b=self.b * (1 + bugs), c=self.c * (1 + bugs))

    def at_load(self, load: float) -> QuadraticPolar:
        """Under a steady load factor n of 1 or more: speeds grow with √n, sinks with n^1.5."""
        root = math.sqrt(load)
        return QuadraticPolar(self.a * root, self.b * load, self.c * load * root)

    def sink_mps(self, eas_mps: float) -> float:
        """Sink in straight flight at sea-level density."""
        return (self.a * eas_mps + self.b) * eas_mps + self.c

    @property
    def min_sink_speed_mps(self) -> float:
        """Speed of least sink."""
        return -self.b / (2 * self.a)

    @property
    def best_glide_speed_mps(self) -> float:
        """Speed of the flattest glide in still air."""
        return math.sqrt(self.c / self.a)

    def sink_loaded_mps(self, eas_mps: float, load: float) -> float:
        """Sink under a load factor n.

        Above 1: s(V/√n)·n^1.5, the turning polar (A. and L. Welch and F. Irving, The Complete Soaring Pilot's
        Handbook, turn table). Below 1 this formula would also remove parasite drag. So there only the induced
        drag, half of the drag at best glide, is reduced, with n² (parabolic drag).
        """
        if load >= 1.0:
            return self.sink_mps(max(eas_mps / math.sqrt(load), self.min_sink_speed_mps)) * math.pow(
                load, 1.5
            )
        eas_mps = max(eas_mps, self.min_sink_speed_mps, 1.0)  # with b = 0 the sink is least at 0
        best = self.best_glide_speed_mps
        induced = self.sink_mps(best) * best / (2 * eas_mps)
        return self.sink_mps(eas_mps) - induced * (1.0 - max(load, 0.0) ** 2)

    def circling_speed_mps(self, bank_rad: float) -> float:
        """Equivalent airspeed of least sink in a steady turn at this bank."""
        return self.min_sink_speed_mps / math.sqrt(math.cos(bank_rad))

    def circling_sink_mps(self, bank_rad: float, eas_mps: float | None = None) -> float:
        """Sink in a steady turn at this bank and airspeed; None: at that of least sink."""
        load = 1.0 / math.cos(bank_rad)
        speed_mps = self.circling_speed_mps(bank_rad) if eas_mps is None else eas_mps
        return self.sink_loaded_mps(speed_mps, load)

    def speed_for_mps(self, climb_mps: float, scale: float = 1.0) -> float:
        """Equivalent airspeed of the MacCready condition climb + s(V) = V·s'(V).

        `climb_mps` is the expected climb minus the rise of the air flown through. At height both true speed
        and true sink grow by `scale` (`true_scale`), so against them the climb counts for less.
        Source: P. MacCready, Soaring 1954; closed form for a quadratic polar.
        """
        inside = (self.c + climb_mps / scale) / self.a
        return max(math.sqrt(max(inside, 0.0)), self.min_sink_speed_mps)


def true_scale(density_kgpm3: float) -> float:
    """True over equivalent airspeed, and true over sea-level sink: √(ρ0/ρ)."""
    return math.sqrt(SEA_LEVEL_KGPM3 / density_kgpm3)
