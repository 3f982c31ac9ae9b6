"""Speed to fly: MacCready's condition on the glider's polar, inside the glider's limits.

Block speed is the speed for the MacCready setting in still air. Dolphin speed takes the netto into account,
as far as it lasts until the pilot has changed the speed (`lasting`). It changes no faster than a pilot can
fly it, and it follows small changes slowly. In a turn the polar under the load of the turn is used. The
output names the limit that holds the command, because a limit is not an optimum.
"""

from __future__ import annotations

import math
from enum import StrEnum

from drivers.quick import dataclass
from vario.flight.core.low_pass import LowPass, low_pass_weight
from vario.flight.core.polar import QuadraticPolar, true_scale
from vario.flight.cruise.airmass import Airmass
from vario.flight.cruise.lasting import LastingNetto
from vario.flight.cruise.turbulence import Turbulence
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

STALL_MARGIN = 1.2
"""Lowest commanded speed over the stall speed at the present mass and load (common practice, no source)."""

NEVER_EXCEED_MARGIN = 0.95
"""Highest commanded fraction of the never-exceed speed: a pilot overshoots a command a little."""

LOAD_LAG_S = 2.0
MOST_LOAD = 2.0
"""A load above this is a manoeuvre, not a turn in cruise."""

PILOT_LAG_S = 6.0
"""From a change of the air to the new speed: the pilot hears it, reacts in about a second, and changes the
speed in some five seconds. Chosen with `BAND_MPS` on simulated streets, see docs/accuracy.md."""

BAND_MPS = 2.0
BAND_LAG_S = 10.0
"""A change of the wanted speed within this band moves the command with this time constant only, so that the
command does not swing in turbulence; beyond the band it moves at once."""

FLYABLE_MPS2 = 2.0
"""Fastest change of the command: a fifth of g along the path, a pitch change of some 12 degrees."""


class Limit(StrEnum):
    """The limit that holds the command."""

    NONE = "none"
    STALL = "stall"
    MANOEUVRING = "manoeuvring"
    ROUGH_AIR = "rough_air"
    NEVER_EXCEED = "never_exceed"


@dataclass(frozen=True, slots=True)
class SpeedCommand:
    """Indicated airspeeds. None: not known, or not in this mode.

    `command_mps` is the speed to fly, `block_mps` and `dolphin_mps` are its two variants, all inside the
    limits; `speed_error_mps` is the command minus the present airspeed. `limit` is the limit that holds the
    wanted speed; the command may not have reached it yet. `turbulence_mps2` is the turbulence, RMS.
    """

    command_mps: float | None
    block_mps: float | None
    dolphin_mps: float | None
    speed_error_mps: float | None
    limit: Limit
    turbulence_mps2: float | None


LEAST_BELIEVED = 0.8
"""An airspeed below this fraction of the stall speed is a fault of the pitot."""


class SpeedToFlyStage:
    """Commands an indicated airspeed in cruise, and nothing in any other mode or with open airbrakes."""

    def __init__(self, setup: Setup) -> None:
        self._turbulence = Turbulence()
        self._load = LowPass(LOAD_LAG_S, 1.0)
        self._netto = LastingNetto(setup.settings.speed_to_fly.damping_s, PILOT_LAG_S)
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take changed settings, MacCready value, polar, limits or mass; the state of the air stays."""
        self._settings = setup.settings.speed_to_fly
        self._netto.configure(self._settings.damping_s)
        self._maccready_mps = setup.maccready_mps
        self._polar = setup.polar
        self._limits = setup.limits
        self._stall_mps = setup.stall_mps or 0.0

    def reset(self, reason: ResetReason) -> None:
        """Forget load, turbulence and netto."""
        self._turbulence.reset()
        self._load.reset(1.0)
        self._netto.reset()
        self._wanted_mps: float | None = None
        self._dolphin_mps: float | None = None

    def update(
        self,
        dt_s: float,
        energy: Energy,
        air: Airmass,
        mode: Mode,
        attitude: Attitude | None = None,
        *,
        goal_maccready_mps: float | None = None,
    ) -> SpeedCommand:
        """One frame. On the way to a goal its MacCready value, with the wind in it, replaces the setting."""
        maccready_mps = self._maccready_mps if goal_maccready_mps is None else goal_maccready_mps
        turbulence_mps2 = self._turbulence.update(dt_s, attitude, self._settings.turbulence_threshold_mps2)
        load = self._load.follow(min(max(attitude.load_factor, 1.0), MOST_LOAD) if attitude else 1.0, dt_s)
        density = energy.density_kgpm3
        # Below that the airspeed is false, and a command to fly faster would be false too.
        believed = energy.ias_mps is None or energy.ias_mps > LEAST_BELIEVED * self._stall_mps
        if mode is not Mode.CRUISE or air.braking or self._polar is None or density is None or not believed:
            self._netto.pause()
            self._dolphin_mps = self._wanted_mps = None
            return SpeedCommand(None, None, None, None, Limit.NONE, turbulence_mps2)
        netto_mps = self._netto.update(air.netto_mps, dt_s)
        needed_mps = None if netto_mps is None else maccready_mps - netto_mps
        polar = self._polar.at_load(load)
        best_mps = polar.speed_for_mps(maccready_mps, true_scale(density))
        block_mps, block_limit = self._limited(best_mps, density, load)
        dolphin_mps, dolphin_limit = self._dolphin(polar, needed_mps, density, load, dt_s)
        is_block = self._settings.mode == "block"
        command_mps, limit = (block_mps, block_limit) if is_block else (dolphin_mps, dolphin_limit)
        known = command_mps is not None and energy.ias_mps is not None
        return SpeedCommand(
            command_mps,
            block_mps,
            dolphin_mps,
            command_mps - energy.ias_mps if known else None,  # type: ignore[operator]  # both known
            limit,
            turbulence_mps2,
        )

    def _dolphin(
        self, polar: QuadraticPolar, needed_mps: float | None, density: float, load: float, dt_s: float
    ) -> tuple[float | None, Limit]:
        if needed_mps is None:
            self._dolphin_mps = self._wanted_mps = None
            return None, Limit.NONE
        best_mps = polar.speed_for_mps(needed_mps, true_scale(density))
        wanted_mps, limit = self._limited(best_mps, density, load)
        if wanted_mps is None:
            self._dolphin_mps = self._wanted_mps = None
            return None, limit
        if self._wanted_mps is not None and self._dolphin_mps is not None:
            step = FLYABLE_MPS2 * dt_s
            wanted_mps = self._wanted_mps + max(-step, min(step, wanted_mps - self._wanted_mps))
            near_mps = self._dolphin_mps - wanted_mps
            near_mps -= low_pass_weight(dt_s, BAND_LAG_S) * near_mps
            command_mps = wanted_mps + max(-BAND_MPS, min(BAND_MPS, near_mps))
        else:
            command_mps = wanted_mps
        # The limits may have changed since the last frame, and they have priority.
        self._wanted_mps = wanted_mps
        self._dolphin_mps, _ = self._limited(command_mps, density, load)
        return self._dolphin_mps, limit

    def _limited(self, speed_mps: float, density_kgpm3: float, load: float) -> tuple[float | None, Limit]:
        """The speed inside the glider's limits; None where the limits leave no room."""
        assert self._limits is not None  # noqa: S101  (there is a polar, so there is a glider)
        # Never-exceed speed as a true airspeed: flutter depends on it, and manuals lower the
        # indicated limit with height; taking it as true from sea level up is the safe assumption.
        never_mps = self._limits.never_exceed_mps / max(1.0, true_scale(density_kgpm3))
        tops = [(NEVER_EXCEED_MARGIN * never_mps, Limit.NEVER_EXCEED)]
        if self._settings.mode == "dolphin":
            # Dolphin commands are flown with the elevator; full deflection is safe up to here only.
            tops.append((self._limits.manoeuvring_mps, Limit.MANOEUVRING))
        if self._turbulence.is_rough:
            tops.append((self._limits.rough_air_mps, Limit.ROUGH_AIR))
        highest_mps, highest = min(tops)
        lowest_mps = STALL_MARGIN * self._stall_mps * math.sqrt(load)
        if highest_mps < lowest_mps:
            return None, highest
        if speed_mps > highest_mps:
            return highest_mps, highest
        if speed_mps < lowest_mps:
            return lowest_mps, Limit.STALL
        return speed_mps, Limit.NONE
