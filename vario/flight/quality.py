"""What an output is worth, as flags a trace can show in words."""

from __future__ import annotations

from enum import Flag, auto
from functools import cache


class Quality(Flag):
    """Everything that keeps the outputs from being complete; none set means all is well."""

    OK = 0
    NO_BARO = auto()
    NO_AIRSPEED = auto()
    NO_IMU = auto()
    NO_GNSS = auto()
    NO_GLIDER = auto()
    UNCOMPENSATED = auto()
    """The vario shows climb rate alone: without airspeed, pulling up reads as lift."""
    SETTLING = auto()
    """The estimate has just started and is not shown yet."""
    AIRSPEED_OFF = auto()
    """The airspeed sensor reads wrong against GNSS; what is shown is corrected."""
    IMU_OFF = auto()
    """The inertial unit contradicts itself or the other sensors, and is not used."""

    def __str__(self) -> str:
        """Words joined by "+", "ok" if there is nothing to say: `no_airspeed+uncompensated`."""
        if self is Quality.OK:
            return "ok"
        return "+".join((flag.name or "").lower() for flag in self)


@cache
def quality_of(flags: tuple[bool, ...]) -> Quality:
    """The quality with these flags set: one truth for each, in the order they are defined.

    Remembered, for joining flags anew in every frame is slow.
    """
    quality = Quality.OK
    for flag, is_set in zip(Quality, flags, strict=True):
        if is_set:
            quality |= flag
    return quality
