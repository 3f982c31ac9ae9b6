"""What the air does: netto, and what circling here would give.

Netto is the vario with the glider's own sink added back; relative netto takes off again the sink of
circling, so it reads the climb one would get by turning here. Neither is given without airspeed, without
a glider file, on the ground, or on tow, where the polar says nothing about the glider's energy.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.quick import quick
from vario.flight.core.polar import QuadraticPolar, true_scale
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode

POLAR_FROM = 0.8
"""Below this share of the minimum-sink speed the glider is not flying on its polar."""

LOAD_KEPT_S = 3.0
"""Another instrument's load factor is that of the moment; later the glider is taken to fly straight."""

LOAD_LAG_S = 0.3
"""Smoothing of the load factor: bumps shorter than the vario's own lag would only add noise."""


@quick
@dataclass(frozen=True, slots=True)
class Airmass:
    """Vertical speeds, up positive; None: not known."""

    netto_mps: float | None
    relative_netto_mps: float | None


NOTHING = Airmass(None, None)


class AirmassStage:
    """Netto and relative netto.

    Args:
        polar: at the present mass and bugs; None without a glider file.
        bank_rad: the bank the pilot circles with.
        speed_mps: and the indicated airspeed; None: that of least sink at this bank.
    """

    def __init__(self, polar: QuadraticPolar | None, bank_rad: float, speed_mps: float | None = None) -> None:
        self.configure(polar, bank_rad, speed_mps)
        self._load = 1.0
        self._load_sample = 1.0
        self._load_age_s = 0.0

    def configure(self, polar: QuadraticPolar | None, bank_rad: float, speed_mps: float | None) -> None:
        """Take a changed polar or way of circling."""
        self._polar = polar
        self._circling_sink_mps = polar.circling_sink_mps(bank_rad, speed_mps) if polar else 0.0

    def update(self, inputs: Inputs, attitude: Attitude | None, energy: Energy, mode: Mode) -> Airmass:
        """One frame. `mode` is that of the frame before."""
        self._follow_load(inputs, attitude)
        if self._polar is None or energy.vario_mps is None or energy.ias_mps is None:
            return NOTHING
        if mode in (Mode.GROUND, Mode.LAUNCH):
            return NOTHING
        if energy.ias_mps < POLAR_FROM * self._polar.min_sink_speed_mps or energy.density_kgpm3 is None:
            return NOTHING
        scale = true_scale(energy.density_kgpm3)
        netto_mps = energy.vario_mps + scale * self._polar.sink_loaded_mps(energy.ias_mps, self._load)
        return Airmass(netto_mps, netto_mps - scale * self._circling_sink_mps)

    def _follow_load(self, inputs: Inputs, attitude: Attitude | None) -> None:
        """The load factor from the IMU, else from another instrument, else 1."""
        self._load_age_s += inputs.frame.dt_s
        if inputs.frame.load_factor:
            self._load_sample, self._load_age_s = inputs.frame.load_factor[-1].load, 0.0
        elif self._load_age_s > LOAD_KEPT_S:
            self._load_sample = 1.0
        target = self._load_sample if attitude is None else attitude.load_factor
        self._load += min(1.0, inputs.frame.dt_s / LOAD_LAG_S) * (target - self._load)
