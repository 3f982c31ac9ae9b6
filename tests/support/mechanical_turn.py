"""Coordinated turns by mechanics, and readings of the whole instrument for samples.

Steady turn: ψ' = g·tan φ/V.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from drivers import isa
from drivers.samples import Baro, ImuAccel, ImuGyro, Pitot, Sample
from tests.support.truth_gliders import GLIDERS
from vario.app.replay.player import play
from vario.flight.core.polar import QuadraticPolar
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.schema import Settings

Floats = NDArray[np.float64]
G = isa.G0_MPS2
KT = 1852 / 3600
T = 0.02
GLIDER = GLIDERS["sgs126"]
NOISE = Noise(baro_pa=1.5, pitot_pa=0.5)


def readings(samples: Iterator[Sample]) -> list[Reading]:
    return list(play(samples, Pipeline(Settings(), GLIDER, NOISE)))


class Turn:
    """A glider that flies straight for a minute, then rolls into a coordinated turn within 4 s and stays in
    it.

    Still air, the glider's own polar, standard atmosphere. Mechanics, in axes along the velocity:
    ω = ψ'·(−sin θ, sin φ cos θ, cos φ cos θ), f = ω × v − g·down; the body is turned up from there by
    the angle of attack that carries the load, by Prandtl's lifting line for the glider's aspect ratio of 10.
    """

    STRAIGHT_S, ROLL_S = 60.0, 4.0
    LIFT_SLOPE_PER_RAD = 2.0 * math.pi * 10.0 / (10.0 + 2.0)
    DENSITY_KGPM3 = isa.density_kgpm3(isa.pressure_pa(1500.0), isa.temperature_k(1500.0))

    def __init__(self, tas_mps: float, bank_rad: float, seconds: float) -> None:
        self.tas_mps, self.final_rad, self.seconds = tas_mps, bank_rad, seconds
        self.polar = QuadraticPolar.of(GLIDER)

    def bank(self, t_s: float) -> tuple[float, float]:
        """Bank and its rate."""
        share = min(1.0, max(0.0, (t_s - self.STRAIGHT_S) / self.ROLL_S))
        rate = 0.5 * math.pi / self.ROLL_S * math.sin(math.pi * share) if 0.0 < share < 1.0 else 0.0
        return self.final_rad * (0.5 - 0.5 * math.cos(math.pi * share)), self.final_rad * rate

    def motion(self, t_s: float) -> tuple[Floats, Floats, float]:
        """Rate and specific force in body axes, and sink."""
        bank, roll = self.bank(t_s)
        sink = self.sink_mps(t_s)
        pitch = -math.asin(sink / self.tas_mps)
        dive = (self.sink_mps(t_s + 0.01) - self.sink_mps(t_s - 0.01)) / 0.02 / self.tas_mps
        turn = G * math.tan(bank) / self.tas_mps
        down = np.array(
            [-math.sin(pitch), math.sin(bank) * math.cos(pitch), math.cos(bank) * math.cos(pitch)]
        )
        rate = turn * down + np.array([roll, -dive * math.cos(bank), dive * math.sin(bank)])
        force = np.cross(rate, [self.tas_mps, 0.0, 0.0]) - G * down
        alpha = self.incidence(t_s)
        nose_up = np.array([0.0, (self.incidence(t_s + 0.01) - self.incidence(t_s - 0.01)) / 0.02, 0.0])
        return raised(rate, alpha) + nose_up, raised(force, alpha), sink

    def sink_mps(self, t_s: float) -> float:
        # At height, true speed and true sink are both larger by √(ρ0/ρ).
        scale = math.sqrt(isa.SEA_LEVEL_KGPM3 / self.DENSITY_KGPM3)
        return scale * self.polar.sink_loaded_mps(self.tas_mps / scale, 1.0 / math.cos(self.bank(t_s)[0]))

    def incidence(self, t_s: float) -> float:
        """Angle of attack from zero lift: 2(m/S)·n·g/(ρ·CLα·V²)."""
        loading = GLIDER.reference_mass_kg / GLIDER.wing_area_m2 * G / math.cos(self.bank(t_s)[0])
        return 2.0 * loading / (self.DENSITY_KGPM3 * self.LIFT_SLOPE_PER_RAD * self.tas_mps**2)

    def imu(self) -> tuple[Floats, Floats]:
        """Rates and forces at every step, shape (n, 3) each."""
        both = [self.motion((i + 0.5) * T)[:2] for i in range(round(self.seconds / T))]
        return np.array([rate for rate, _ in both]), np.array([force for _, force in both])

    def samples(self) -> Iterator[Sample]:
        height_m = 1500.0
        rng = np.random.default_rng(9)
        noise = rng.standard_normal((round(self.seconds / T), 8)) * [1.2, 0.5, *[0.02] * 3, *[0.002] * 3]
        rates, forces = self.imu()
        for i, (rate, force, n) in enumerate(zip(rates, forces, noise, strict=True)):
            t_s = i * T + T - 1e-4
            height_m -= self.motion(t_s)[2] * T
            static_pa = isa.pressure_pa(height_m)
            air_k = isa.temperature_k(height_m)
            yield ImuAccel(t_s, *(force + n[2:5]).tolist())
            yield ImuGyro(t_s, *(rate + n[5:]).tolist())
            yield Baro(t_s, static_pa + n[0])
            yield Pitot(t_s, isa.impact_of_tas_pa(self.tas_mps, static_pa, air_k) + n[1])


def raised(vector: Floats, alpha: float) -> Floats:
    """A vector in axes along the velocity, seen from a body turned up by alpha."""
    x, y, z = vector
    return np.array([x * math.cos(alpha) - z * math.sin(alpha), y, x * math.sin(alpha) + z * math.cos(alpha)])
