"""Velocity over ground from consecutive positions, for recordings that hold no velocity."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from drivers.samples import GnssPos, GnssVel, Sample, whole_ns
from hw_replay.ordering import in_order
from hw_replay.source import SensorInfo
from hw_replay.wgs84 import radii_m

NOISE_MPS = 0.8
"""Positions of 0.001 minute (1.85 m) a second apart: 1.85 * sqrt(2/12)."""

DERIVED = SensorInfo("derived from consecutive positions", noise=NOISE_MPS)

SHORTEST_S, LONGEST_S = 0.9, 12.0
"""Positions closer together are skipped, because their noise would count too much; further apart is a gap."""


def velocity_between(before: GnssPos, after: GnssPos) -> tuple[float, float, float]:
    """Time in the middle of two positions, s, and the mean velocity north and east, m/s."""
    step_s = after.t_s - before.t_s
    lat_rad = math.radians((before.lat_deg + after.lat_deg) / 2)
    meridian_m, normal_m = radii_m(lat_rad)
    east_deg = math.remainder(after.lon_deg - before.lon_deg, 360.0)
    return (
        whole_ns(before.t_s + step_s / 2),
        math.radians(after.lat_deg - before.lat_deg) * (meridian_m + after.altitude_m) / step_s,
        math.radians(east_deg) * (normal_m + after.altitude_m) * math.cos(lat_rad) / step_s,
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
