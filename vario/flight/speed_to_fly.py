"""Speed to fly: MacCready's condition on the glider's polar, inside the glider's limits."""

from __future__ import annotations

import math

from vario.flight.airmass import Airmass
from vario.flight.energy import Energy
from vario.flight.mode import Mode
from vario.flight.polar import QuadraticPolar, true_scale
from vario.settings.glider import Limits
from vario.settings.schema import SpeedToFly

STALL_MARGIN = 1.2
"""Lowest commanded speed over the stall speed at the present mass (common practice, no source)."""


class SpeedToFlyStage:
    """Commands an indicated airspeed in cruise, and nothing in any other mode.

    Args:
        settings: block or dolphin, and its damping.
        maccready_mps: the pilot's value.
        polar: at the present mass and bugs; None without a glider file.
        limits: of the glider, at its reference mass.
        mass_ratio: present over reference mass; the stall speed grows with its root.
    """

    def __init__(
        self,
        settings: SpeedToFly,
        maccready_mps: float,
        polar: QuadraticPolar | None,
        limits: Limits | None,
        mass_ratio: float,
    ) -> None:
        self._settings = settings
        self._maccready_mps = maccready_mps
        self._polar = polar
        self._limits = limits
        self._lowest_mps = STALL_MARGIN * limits.stall_mps * math.sqrt(mass_ratio) if limits else 0.0
        self._air_mps: float | None = None

    def update(self, dt_s: float, energy: Energy, air: Airmass, mode: Mode) -> float | None:
        """One frame: the commanded indicated airspeed, m/s."""
        if mode is not Mode.CRUISE or self._polar is None or energy.density_kgpm3 is None:
            self._air_mps = None
            return None
        rise_mps = 0.0
        if self._settings.mode == "dolphin":
            self._follow(air.netto_mps, dt_s)
            if self._air_mps is None:
                return None
            rise_mps = self._air_mps
        speed_mps = self._polar.speed_for_mps(self._maccready_mps - rise_mps, energy.density_kgpm3)
        return self._limited(speed_mps, energy.density_kgpm3)

    def _follow(self, netto_mps: float | None, dt_s: float) -> None:
        if netto_mps is None or self._air_mps is None:
            self._air_mps = netto_mps
            return
        self._air_mps += (1.0 - math.exp(-dt_s / self._settings.damping_s)) * (netto_mps - self._air_mps)

    def _limited(self, speed_mps: float, density_kgpm3: float) -> float | None:
        """Inside the glider's limits, or nothing where they leave no room."""
        assert self._limits is not None  # noqa: S101  (there is a polar, so there is a glider)
        # Never-exceed speed as a true airspeed: flutter goes with it, and manuals lower the
        # indicated limit with height; taking it as true from sea level up is the cautious reading.
        never_mps = self._limits.never_exceed_mps / max(1.0, true_scale(density_kgpm3))
        highest_mps = min(self._limits.rough_air_mps, never_mps)
        if highest_mps < self._lowest_mps:
            return None
        return min(max(speed_mps, self._lowest_mps), highest_mps)
