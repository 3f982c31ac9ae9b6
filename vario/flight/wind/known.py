"""The part of the state of the wind filter that is known well enough to be given."""

from __future__ import annotations

import math

from drivers.quick import dataclass
from vario.flight.wind.state import WindState

USEFUL_MPS = 2.0
"""A wind with a larger standard deviation is not given."""

USEFUL_RAD = math.radians(10.0)
"""Likewise a heading."""

USEFUL_SCALE = 0.03
"""Likewise the scale of the airspeed."""

ROUGH_MPS = 0.5
"""No scale is given in eddies stronger than this, because their effect on the airspeed looks like one."""

SCALE_OFF = 0.03
"""A scale of the airspeed this far from 1 makes the wind of the inertial filter wrong."""


@dataclass(frozen=True, slots=True)
class WindEstimate:
    """The estimate of the filter after a velocity; see `Wind`. The north is added to the summed heading."""

    north_mps: float
    east_mps: float
    sigma_mps: float
    nis: float | None
    north_rad: float | None
    scale: float | None
    scale_sigma: float | None


def known_part(state: WindState) -> WindEstimate | None:
    """The outputs that are known well enough; None if the wind is not."""
    sigma_mps = state.sigma_mps
    if sigma_mps > USEFUL_MPS:
        return None
    north_rad = scale = scale_sigma = None
    if state.north_sigma_rad <= USEFUL_RAD:
        north_rad = state.north_rad
    if state.has_scale and state.scale_sigma < USEFUL_SCALE and state.eddy_mps < ROUGH_MPS:
        scale, scale_sigma = state.scale, state.scale_sigma
    return WindEstimate(*state.wind_mps, sigma_mps, state.nis, north_rad, scale, scale_sigma)


def scale_off(found: WindEstimate | None) -> bool:
    """Whether the airspeed is known to be wrong. The inertial filter uses it, so its wind is wrong too."""
    if found is None or found.scale is None or found.scale_sigma is None:
        return False
    return abs(found.scale - 1.0) > max(SCALE_OFF, 5.0 * found.scale_sigma)
