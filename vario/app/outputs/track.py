"""The track over the ground in metres, from columns of positions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vario.flight.core.geodesy import EARTH_RADIUS_M

Floats = NDArray[np.float64]


def track_m(latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Floats]:
    """North and east of the first known position, m.

    On a sphere, with the scale at the first position: accurate enough for a map of one flight.

    Args:
        latitude_deg: shape (n,); NaN is no position.
        longitude_deg: shape (n,); NaN is no position.

    Returns:
        Two arrays of shape (n,); NaN where there is no position.
    """
    known = np.flatnonzero(np.isfinite(latitude_deg) & np.isfinite(longitude_deg))
    if not known.size:
        return np.full(latitude_deg.shape, np.nan), np.full(latitude_deg.shape, np.nan)
    first_lat, first_lon = latitude_deg[known[0]], longitude_deg[known[0]]
    turned_deg = (longitude_deg - first_lon + 180.0) % 360.0 - 180.0  # the shorter way across the date line
    north = np.radians(latitude_deg - first_lat) * EARTH_RADIUS_M
    return north, np.radians(turned_deg) * EARTH_RADIUS_M * np.cos(np.radians(first_lat))
