"""Pictures of a climb: the lift around the circle over time, and the track in the moving air mass."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from typing import Any

from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading
from vario.flight.thermal.climbs import Climb
from vario.flight.thermal.lift_map import LiftPoint

PICTURE_EVERY_S = 5.0
"""Interval between pictures of the circle: about five per turn."""

EARLIER_S = 90.0
"""Upper limit of the delay with which the first turn of a climb is detected."""

_DECI = 10.0  # pictures are stored in tenths of a metre per second


class ClimbPictures:
    """Collects pictures and points while circling. `of` selects those of one climb."""

    def __init__(self) -> None:
        self._pictures: list[tuple[float, dict[str, Any]]] = []
        self._points: list[LiftPoint] = []
        self._recent: deque[LiftPoint] = deque(maxlen=256)
        self._latest: LiftPoint | None = None
        self._next_s = -math.inf
        self._circling = False

    def take(self, reading: Reading) -> None:
        """Add one reading."""
        thermal = reading.thermal
        point = thermal.lift_map[-1] if thermal.lift_map else None
        if point is not None and point is not self._latest:
            self._latest = point
            self._recent.append(point)
        circling = reading.mode is Mode.CIRCLING
        if circling and point is not None:
            # The turn was not detected yet at its beginning, so those points are added afterwards.
            since_s = self._points[-1].t_s if self._points else -math.inf
            since_s = max(since_s, reading.t_s - EARLIER_S)
            self._points += [recent for recent in self._recent if recent.t_s > since_s]
            self._recent.clear()
        if thermal.circle is not None and (reading.t_s >= self._next_s or not self._circling):
            self._next_s = reading.t_s + PICTURE_EVERY_S
            self._pictures.append((round(reading.t_s, 1), _picture(reading)))
        self._circling = circling

    def of(self, climb: Climb) -> dict[str, Any]:
        """The data of one climb: circle pictures with their times, and the track in the air mass."""
        pictures = [
            {"t": t_s, **picture} for t_s, picture in self._pictures if climb.start_s <= t_s <= climb.end_s
        ]
        return {"circles": pictures, "points": list(self._map(climb))}

    def _map(self, climb: Climb) -> Iterator[tuple[float, float, float, float]]:
        """East and north in m relative to the air mass of the climb; climb rate in m/s; time in s.

        The wind is that known at the end of the climb. The origin is the centre of the points.
        """
        points = [
            point
            for point in self._points
            if climb.start_s <= point.t_s <= climb.end_s and point.place is not None
        ]
        places = [point.place for point in points if point.place is not None]
        if not places:
            return
        last = places[-1]
        kept = [
            (
                place.east_m + last.drift_east_mps * (climb.end_s - point.t_s),
                place.north_m + last.drift_north_mps * (climb.end_s - point.t_s),
                point,
            )
            for point, place in zip(points, places, strict=True)
            if place.frame == last.frame
        ]
        middle_e = sum(east for east, _, _ in kept) / len(kept)
        middle_n = sum(north for _, north, _ in kept) / len(kept)
        for east, north, point in kept:
            yield (
                round(east - middle_e, 1),
                round(north - middle_n, 1),
                round(point.climb_mps, 2),
                round(point.t_s, 1),
            )


def _picture(reading: Reading) -> dict[str, Any]:
    circle, shift = reading.thermal.circle, reading.thermal.shift
    assert circle is not None  # noqa: S101  (the caller has looked)
    picture: dict[str, Any] = {
        "last": [_tenths(value) for value in circle.last_mps],
        "mean": [_tenths(value) for value in circle.mean_mps],
        "middle": round(circle.middle_mps, 2),
        "asymmetry": round(circle.asymmetry_mps, 2),
        "sigma": round(circle.sigma_mps, 2),
        "strongest": _degrees(circle.strongest_heading_rad),
        "right": circle.right,
        "from_north": circle.from_north,
    }
    if shift is not None and shift.sure:
        picture["shift_m"] = round(shift.distance_m)
        picture["shift_deg"] = _degrees(shift.bearing_rad)
    return picture


def _tenths(value: float | None) -> int | None:
    return None if value is None else round(value * _DECI)


def _degrees(value: float | None) -> int | None:
    return None if value is None else round(math.degrees(value)) % 360
