"""Speed to fly: MacCready's condition on the glider's polar, inside the glider's limits.

Block speed is that of the MacCready setting in still air. Dolphin speed takes the present air into account,
damped and never changing faster than a pilot would want to fly it. In a turn the polar is that under
its load. Which limit holds the command is told, so that nobody takes a limit for an optimum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from drivers.quick import quick
from vario.flight.core.polar import QuadraticPolar, true_scale
from vario.flight.cruise.airmass import Airmass
from vario.flight.cruise.turbulence import Air, Bumps
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.settings.glider import Limits
from vario.settings.schema import SpeedToFly

STALL_MARGIN = 1.2
"""Lowest commanded speed over the stall speed at the present mass and load (common practice, no source)."""

NEVER_EXCEED_MARGIN = 0.95
"""Highest commanded share of the never-exceed speed: a command is flown with some overshoot."""

LOAD_LAG_S = 2.0
MOST_LOAD = 2.0
"""A load above this is a manoeuvre, not a turn to be flown economically."""

FLYABLE_MPS2 = 2.0
"""The command changes no faster: a fifth of g along the path is a pitch change of some 12 degrees."""


class Limit(StrEnum):
    """What holds the command back."""

    NONE = "none"
    STALL = "stall"
    MANOEUVRING = "manoeuvring"
    ROUGH_AIR = "rough_air"
    NEVER_EXCEED = "never_exceed"


@quick
@dataclass(frozen=True, slots=True)
class SpeedCommand:
    """Indicated airspeeds. None: not known, or not in this mode.

    `command_mps` is what to fly, `block_mps` and `dolphin_mps` the two ways of finding it, all within the
    limits; `faster_by_mps` is the command less what is flown. `limit` says which limit holds the speed aimed
    at, which the command may still be on its way to. `bumps_mps2` is the roughness of the air, RMS.
    """

    command_mps: float | None
    block_mps: float | None
    dolphin_mps: float | None
    faster_by_mps: float | None
    limit: Limit
    bumps_mps2: float | None


LEAST_BELIEVED = 0.8
"""An airspeed below this share of the stall speed is a fault of the pitot, not flight."""


class SpeedToFlyStage:
    """Commands an indicated airspeed in cruise, and nothing in any other mode.

    Args:
        settings: block or dolphin, its damping, and what counts as rough.
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
        self._bumps = Bumps()
        self._load = 1.0
        self._air_mps: float | None = None
        self._dolphin_mps: float | None = None
        self.configure(settings, maccready_mps, polar, limits, mass_ratio)

    def configure(
        self,
        settings: SpeedToFly,
        maccready_mps: float,
        polar: QuadraticPolar | None,
        limits: Limits | None,
        mass_ratio: float,
    ) -> None:
        """Take changed settings; what is known of the air stays."""
        self._settings = settings
        self._maccready_mps = maccready_mps
        self._polar = polar
        self._limits = limits
        self._stall_mps = limits.stall_mps * math.sqrt(mass_ratio) if limits else 0.0

    def update(
        self, dt_s: float, energy: Energy, air: Airmass, mode: Mode, attitude: Attitude | None = None
    ) -> SpeedCommand:
        """One frame."""
        bumps_mps2 = self._bumps.update(dt_s, attitude, self._settings.rough_from_mps2)
        load = min(max(attitude.load_factor, 1.0), MOST_LOAD) if attitude else 1.0
        self._load += (1.0 - math.exp(-dt_s / LOAD_LAG_S)) * (load - self._load)
        density = energy.density_kgpm3
        # Slower than it can fly, the airspeed is not to be believed, and nobody is to be told "faster" by it.
        believed = energy.ias_mps is None or energy.ias_mps > LEAST_BELIEVED * self._stall_mps
        if mode is not Mode.CRUISE or self._polar is None or density is None or not believed:
            self._air_mps = self._dolphin_mps = None
            return SpeedCommand(None, None, None, None, Limit.NONE, bumps_mps2)
        self._follow(air.netto_mps, dt_s)
        polar = self._polar.at_load(self._load)
        block_mps, block_limit = self._limited(polar.speed_for_mps(self._maccready_mps, density), density)
        dolphin_mps, dolphin_limit = self._dolphin(polar, density, dt_s)
        is_block = self._settings.mode == "block"
        command_mps, limit = (block_mps, block_limit) if is_block else (dolphin_mps, dolphin_limit)
        known = command_mps is not None and energy.ias_mps is not None
        return SpeedCommand(
            command_mps,
            block_mps,
            dolphin_mps,
            command_mps - energy.ias_mps if known else None,  # type: ignore[operator]  # both known
            limit,
            bumps_mps2,
        )

    def _follow(self, netto_mps: float | None, dt_s: float) -> None:
        if netto_mps is None or self._air_mps is None:
            self._air_mps = netto_mps
            return
        self._air_mps += (1.0 - math.exp(-dt_s / self._settings.damping_s)) * (netto_mps - self._air_mps)

    def _dolphin(self, polar: QuadraticPolar, density: float, dt_s: float) -> tuple[float | None, Limit]:
        if self._air_mps is None:
            self._dolphin_mps = None
            return None, Limit.NONE
        best_mps = polar.speed_for_mps(self._maccready_mps - self._air_mps, density)
        wanted_mps, limit = self._limited(best_mps, density)
        if wanted_mps is not None and self._dolphin_mps is not None:
            step = FLYABLE_MPS2 * dt_s
            flyable = self._dolphin_mps + max(-step, min(step, wanted_mps - self._dolphin_mps))
            # The limits may have moved since the last frame, and they come first.
            wanted_mps, _ = self._limited(flyable, density)
        self._dolphin_mps = wanted_mps
        return wanted_mps, limit

    def _limited(self, speed_mps: float, density_kgpm3: float) -> tuple[float | None, Limit]:
        """Inside the glider's limits, or nothing where they leave no room."""
        assert self._limits is not None  # noqa: S101  (there is a polar, so there is a glider)
        # Never-exceed speed as a true airspeed: flutter goes with it, and manuals lower the
        # indicated limit with height; taking it as true from sea level up is the cautious reading.
        never_mps = self._limits.never_exceed_mps / max(1.0, true_scale(density_kgpm3))
        tops = [(NEVER_EXCEED_MARGIN * never_mps, Limit.NEVER_EXCEED)]
        if self._settings.mode == "dolphin":
            # Dolphin commands are flown with the elevator; full deflection is safe up to here only.
            tops.append((self._limits.manoeuvring_mps, Limit.MANOEUVRING))
        if self._bumps.state is Air.ROUGH:
            tops.append((self._limits.rough_air_mps, Limit.ROUGH_AIR))
        highest_mps, highest = min(tops)
        lowest_mps = STALL_MARGIN * self._stall_mps * math.sqrt(self._load)
        if highest_mps < lowest_mps:
            return None, highest
        if speed_mps > highest_mps:
            return highest_mps, highest
        if speed_mps < lowest_mps:
            return lowest_mps, Limit.STALL
        return speed_mps, Limit.NONE
