"""A simple detector of circling: the change of track over twenty seconds, from positions alone.

It uses the whole flight, also later positions, shares no code with the instrument, and is the reference for
it. The slowest circle that it counts takes 1.5 times as long as the flattest one in the published turn table
(A. and L. Welch and F. Irving, The Complete Soaring Pilot's Handbook: 50 s at 15 degrees of bank), because
over ground a circle in wind turns unevenly.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.samples import GnssPos

Floats = NDArray[np.float64]

WINDOW_S = 20.0
LEAST_RADPS = math.tau / 75.0
LONGEST_GAP_S = 5.0
LEAST_MPS = 5.0


@dataclass(frozen=True, slots=True)
class Run:
    """Turning in one direction: begin, end, angle (right positive) and gain of height."""

    begin_s: float
    end_s: float
    turned_rad: float
    gain_m: float

    @property
    def turns(self) -> float:
        return abs(self.turned_rad) / math.tau


class PlainTurns:
    """The track of a flight, once a second."""

    def __init__(self, positions: Iterable[GnssPos]) -> None:
        found = np.array([(p.t_s, p.lat_deg, p.lon_deg, p.altitude_m) for p in positions])
        t_s, lat, lon, height = found[np.diff(found[:, 0], prepend=-math.inf) > 0.0].T
        self.t_s = np.arange(t_s[0], t_s[-1], 1.0)
        # Metres on a sphere of the earth's mean radius, 6371 km, about the middle of the flight.
        north = np.interp(self.t_s, t_s, np.radians(lat) * 6.371e6)
        east = np.interp(self.t_s, t_s, np.radians(lon) * 6.371e6 * math.cos(math.radians(float(lat.mean()))))
        self.height_m = np.interp(self.t_s, t_s, height)
        step_n, step_e = np.gradient(north), np.gradient(east)
        self.moving = np.hypot(step_n, step_e) > LEAST_MPS
        self.track_rad: Floats = np.unwrap(np.arctan2(step_e, step_n))
        before = np.searchsorted(t_s, self.t_s, side="right") - 1
        gap = np.append(np.diff(t_s), 0.0)[before]
        self.known = gap <= LONGEST_GAP_S

    @property
    def flown_s(self) -> float:
        """Time in motion."""
        return float(np.count_nonzero(self.moving))

    def runs(self) -> list[Run]:
        """Every interval of turning in one direction faster than the slowest circle."""
        half = round(WINDOW_S / 2.0)
        ahead = np.append(self.track_rad[half:], np.full(half, self.track_rad[-1]))
        behind = np.append(np.full(half, self.track_rad[0]), self.track_rad[:-half])
        rate = (ahead - behind) / WINDOW_S
        way = np.where(self.moving & self.known, np.sign(rate) * (np.abs(rate) >= LEAST_RADPS), 0.0)
        edges = np.flatnonzero(np.diff(way)) + 1
        begins, ends = np.append(0, edges), np.append(edges, len(way))
        return [
            Run(
                float(self.t_s[a]),
                float(self.t_s[b - 1]),
                float(self.track_rad[b - 1] - self.track_rad[a]),
                float(self.height_m[b - 1] - self.height_m[a]),
            )
            for a, b in zip(begins.tolist(), ends.tolist(), strict=True)
            if way[a] != 0.0
        ]

    def turned_rad(self, begin_s: float, end_s: float) -> float:
        """The largest change of track in one direction within an interval."""
        inside = self.track_rad[(self.t_s >= begin_s) & (self.t_s <= end_s)]
        if not len(inside):
            return 0.0
        right = float(np.max(inside - np.minimum.accumulate(inside)))
        left = float(np.max(np.maximum.accumulate(inside) - inside))
        return max(right, left)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Comparison of the circling of the instrument with the reference.

    `climbs` of two turns or more that gained height, `found` those in which the instrument was circling for
    half of the time or longer; `episodes` of circling in the instrument, `false` those in which the track
    did not turn three quarters round, by when circling must be said, `broken_off` the others that did
    not turn all the way round.
    """

    climbs: int
    found: int
    episodes: int
    false: int
    broken_off: int
    flown_s: float

    @property
    def false_per_hour(self) -> float:
        return self.false / (self.flown_s / 3600.0)


LEAST_TURNS = 2.0
LEAD_S = 30.0
"""An episode began with the turn that caused it, about half a circle before."""


def judge(plain: PlainTurns, circling: Iterable[tuple[float, bool]]) -> Verdict:
    """Compare the circling of the instrument, by time, with the plain turns."""
    told = list(circling)
    t_s, on = np.array([t for t, _ in told]), np.array([c for _, c in told])
    climbs = [run for run in plain.runs() if run.turns >= LEAST_TURNS and run.gain_m > 0.0]
    found = sum(float(np.mean(on[(t_s >= climb.begin_s) & (t_s <= climb.end_s)])) >= 0.5 for climb in climbs)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], on, [False])).astype(np.int8)))
    episodes = [(float(t_s[a]), float(t_s[b - 1])) for a, b in edges.reshape(-1, 2).tolist()]
    turned = np.array([plain.turned_rad(begin - LEAD_S, end) for begin, end in episodes])
    false = int(np.count_nonzero(turned < 0.75 * math.tau))
    broken_off = int(np.count_nonzero(turned < math.tau)) - false
    return Verdict(len(climbs), found, len(episodes), false, broken_off, plain.flown_s)
