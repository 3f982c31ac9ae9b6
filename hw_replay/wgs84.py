"""The ellipsoid WGS 84 (NIMA TR8350.2): its radii of curvature."""

from __future__ import annotations

import math

_A_M = 6_378_137.0
_E2 = 6.69437999014e-3
"""Semi-major axis, and first eccentricity squared."""


def radii_m(lat_rad: float) -> tuple[float, float]:
    """Radii of curvature along the meridian and across it, m."""
    w2 = 1.0 - _E2 * math.sin(lat_rad) ** 2
    return _A_M * (1.0 - _E2) / w2**1.5, _A_M / math.sqrt(w2)
