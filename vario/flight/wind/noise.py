"""Noise parameters of the wind filter."""

from __future__ import annotations

import math

from drivers.quick import dataclass


@dataclass(frozen=True, slots=True)
class WindNoise:
    """Noise parameters; standard deviations.

    Attributes:
        wind_mps_per_sqrt_s: how fast the wind changes with time.
        wind_mps_per_sqrt_km: how fast it changes with the distance flown through the air; a circling glider
            stays in the same air. Together these equal the difference of the winds of circles minutes apart
            in two recorded flights: about 1 m/s in 5 minutes.
        wind_mps_per_sqrt_m: how fast it changes with height.
        heading_rad_per_sqrt_s: how fast the error of the summed heading grows, including slips.
        turn_rate_radps: error of the turn rate at the start. `turn_rate_drift`: how fast it changes.
        scale_per_sqrt_s: how fast the scale of the airspeed changes (position error, temperature).
        gnss_mps: white noise of a ground velocity.
        eddy_s: correlation time of the eddies.
        eddy_least_mps, eddy_most_mps: limits of the learned strength of the eddies.
        eddy_learn_s: time constant of this learning.
    """

    wind_mps_per_sqrt_s: float = 0.015
    wind_mps_per_sqrt_km: float = 0.23
    wind_mps_per_sqrt_m: float = 0.02
    heading_rad_per_sqrt_s: float = math.radians(0.2)
    turn_rate_radps: float = math.radians(0.2)
    turn_rate_drift: float = math.radians(0.005)
    scale_per_sqrt_s: float = 0.0003
    gnss_mps: float = 0.12
    eddy_s: float = 5.0
    eddy_least_mps: float = 0.35
    eddy_most_mps: float = 2.5
    eddy_learn_s: float = 20.0
