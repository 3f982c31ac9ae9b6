"""The reasons for incomplete outputs, as flags that can be written as words."""

from __future__ import annotations

from enum import Flag, auto
from functools import cache


class Quality(Flag):
    """The reasons why outputs are incomplete; no flag is set if they are complete."""

    OK = 0
    NO_BARO = auto()
    NO_AIRSPEED = auto()
    NO_IMU = auto()
    NO_GNSS = auto()
    NO_GLIDER = auto()
    UNCOMPENSATED = auto()
    """The vario shows the climb rate without compensation: pulling up reads as lift."""
    SETTLING = auto()
    """The estimate has just started and is not shown yet."""
    AIRSPEED_CORRECTED = auto()
    """The airspeed sensor reads wrong against GNSS; the airspeed shown is corrected."""
    IMU_OFF = auto()
    """The inertial unit contradicts itself or the other sensors, and is not used for the vario."""
    BARO_DOUBTFUL = auto()
    """The static pressure contradicts the other sensors, and is not used."""
    AIRSPEED_DOUBTFUL = auto()
    """The airspeed contradicts the other sensors, and is not used."""
    GNSS_ALTITUDE_DOUBTFUL = auto()
    """The altitude of the positions contradicts the barometer: the glide to the goal has no height."""
    MASS_DOUBTFUL = auto()
    """The mass in the settings is too small for the lift curve: netto and speed to fly are wrong."""

    def __str__(self) -> str:
        """The flags as words joined by "+", or "ok": `no_airspeed+uncompensated`."""
        if self is Quality.OK:
            return "ok"
        return "+".join((flag.name or "").lower() for flag in self)


@cache
def quality_of(flags: tuple[bool, ...]) -> Quality:
    """The quality with these flags: one truth value for each, in the order of their definition.

    The result is cached, because joining flags in every frame is slow.
    """
    quality = Quality.OK
    for flag, is_set in zip(Quality, flags, strict=True):
        if is_set:
            quality |= flag
    return quality
