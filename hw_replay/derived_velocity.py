"""Velocity over ground from consecutive positions, for recordings that hold no velocity."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from drivers.samples import GnssPos, GnssVel, Sample, whole_ns
from hw_replay.ordering import in_order
from hw_replay.source import SensorInfo

NOISE_MPS = 0.8
"""Positions of 0.001 minute (1.85 m) a second apart: 1.85 * sqrt(2/12)."""

DERIVED = SensorInfo("derived from consecutive positions", noise=NOISE_MPS)

SHORTEST_S, LONGEST_S = 0.9, 12.0
"""Positions closer together are skipped, because their noise would count too much; further apart is a gap."""

_WGS84_A_M = 6_378_137.0
_WGS84_E2 = 6.694379990e-3  # first eccentricity squared (NIMA TR8350.2)


def velocity_between(one: GnssPos, other: GnssPos) -> tuple[float, float, float]:
    """Time in the middle of two positions, s, and the mean velocity north and east, m/s."""
    step_s = other.t_s - one.t_s
    bend = 1.0 - _WGS84_E2 * math.sin(math.radians((one.lat_deg + other.lat_deg) / 2)) ** 2
    meridian_m = _WGS84_A_M * (1.0 - _WGS84_E2) / bend**1.5 + other.altitude_m
    parallel_m = _WGS84_A_M / math.sqrt(bend) + other.altitude_m
    parallel_m *= math.cos(math.radians((one.lat_deg + other.lat_deg) / 2))
    turned_deg = (other.lon_deg - one.lon_deg + 180.0) % 360.0 - 180.0
    return (
        whole_ns(one.t_s + step_s / 2),
        math.radians(other.lat_deg - one.lat_deg) * meridian_m / step_s,
        math.radians(turned_deg) * parallel_m / step_s,
    )


def with_velocity(samples: Iterable[Sample]) -> Iterator[Sample]:
    """The samples, with velocities between positions, in order of time."""
    return in_order(_and_velocities(samples), LONGEST_S / 2)


def _and_velocities(samples: Iterable[Sample]) -> Iterator[Sample]:
    before: GnssPos | None = None
    for sample in samples:
        yield sample
        if not isinstance(sample, GnssPos):
            continue
        if before is not None and sample.t_s - before.t_s < SHORTEST_S:
            continue
        if before is not None and sample.t_s - before.t_s <= LONGEST_S:
            yield GnssVel(*velocity_between(before, sample), None)
        before = sample
