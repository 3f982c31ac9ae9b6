"""Distance and course on the sphere of the FAI.

The FAI measures distances on a sphere of 6371.0 km (FAI Sporting Code, General Section), so a quarter of a
meridian is π/2 times that.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.flight.test_glide import EARTH_M
from vario.flight.core.geodesy import great_circle

LAT, LON = st.floats(-89.0, 89.0), st.floats(-180.0, 180.0)


def unit(lat: float, lon: float) -> np.ndarray:
    lat, lon = math.radians(lat), math.radians(lon)
    return np.array([math.cos(lat) * math.cos(lon), math.cos(lat) * math.sin(lon), math.sin(lat)])


def test_quarters_of_the_earth() -> None:
    ways = {(90.0, 0.0): 0.0, (0.0, 90.0): 90.0, (-90.0, 0.0): 180.0, (0.0, -90.0): 270.0}
    for target, bearing in ways.items():
        distance_m, bearing_rad = great_circle(0.0, 0.0, *target)
        assert distance_m == pytest.approx(math.pi / 2 * EARTH_M)
        assert math.degrees(bearing_rad) == pytest.approx(bearing, abs=1e-6)


@given(LAT, LON, LAT, LON)
def test_the_way_agrees_with_vectors(lat_1: float, lon_1: float, lat_2: float, lon_2: float) -> None:
    """Oracle: angle and tangent of unit vectors (numpy)."""
    here, there = unit(lat_1, lon_1), unit(lat_2, lon_2)
    angle = math.atan2(float(np.linalg.norm(np.cross(here, there))), float(here @ there))
    distance_m, bearing_rad = great_circle(lat_1, lon_1, lat_2, lon_2)
    assert distance_m == pytest.approx(EARTH_M * angle, abs=1.0)
    if 1e-4 < angle < math.pi - 1e-4:
        towards = there - (there @ here) * here
        pole = np.array([0.0, 0.0, 1.0])
        north = pole - (pole @ here) * here
        east_of = np.cross(pole, here)
        oracle = math.atan2(
            float(towards @ east_of) / float(np.linalg.norm(east_of)),
            float(towards @ north) / float(np.linalg.norm(north)),
        )
        assert math.remainder(bearing_rad - oracle, math.tau) == pytest.approx(0.0, abs=1e-6)
