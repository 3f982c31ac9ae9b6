"""Distances and directions on a spherical earth."""

from __future__ import annotations

import math

EARTH_RADIUS_M = 6_371_000.0
"""The FAI sphere (FAI Sporting Code, General Section, earth model). Over a few kilometres an ellipsoid gives
the same distances."""


def great_circle(
    from_lat_deg: float, from_lon_deg: float, lat_deg: float, lon_deg: float
) -> tuple[float, float]:
    """Great-circle distance, m, and initial bearing from true north, rad, 0 to 2π."""
    lat_1, lat_2 = math.radians(from_lat_deg), math.radians(lat_deg)
    apart = math.radians(lon_deg - from_lon_deg)
    half = math.sin((lat_2 - lat_1) / 2) ** 2 + math.cos(lat_1) * math.cos(lat_2) * math.sin(apart / 2) ** 2
    distance_m = 2.0 * EARTH_RADIUS_M * math.asin(min(1.0, math.sqrt(half)))
    north = math.cos(lat_1) * math.sin(lat_2) - math.sin(lat_1) * math.cos(lat_2) * math.cos(apart)
    return distance_m, math.atan2(math.sin(apart) * math.cos(lat_2), north) % math.tau


def offset_m(from_lat_deg: float, from_lon_deg: float, lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """How far north and east a position is from another one nearby, m; also across the date line."""
    middle_rad = math.radians((lat_deg + from_lat_deg) / 2)
    north_m = math.radians(lat_deg - from_lat_deg) * EARTH_RADIUS_M
    east_rad = math.radians(math.remainder(lon_deg - from_lon_deg, 360.0))
    return north_m, east_rad * EARTH_RADIUS_M * math.cos(middle_rad)
