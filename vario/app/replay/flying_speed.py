"""Learn the flying speed of a glider from a recording of which no glider file is known.

Where the height changes as only in flight, the speed is one of flight: the airspeed if there is one,
otherwise the ground speed, which is about the airspeed in the mean of all directions.
"""

from __future__ import annotations

from collections.abc import Iterable

from drivers import isa
from drivers.samples import Baro, GnssVel, Pitot, Sample
from vario.flight.inputs.frames import SPARSE_JUMP_S
from vario.flight.motion.flying import OF_STALL, HeightChange
from vario.flight.motion.mode import FLYING_MPS

OF_USUAL = OF_STALL / 1.3
"""Gliders mostly fly at 1.3 times their stall speed or faster (common practice, no source)."""

SLOWEST_MPS = 5.0
"""A person runs as fast at a foot launch (common practice, no source)."""

LEAST_S = 60.0


def learned_flying_mps(samples: Iterable[Sample]) -> float | None:
    """The speed above which the glider of a recording flies; at most the usual `FLYING_MPS`.

    Returns:
        None if less than a minute of the recording is flight by its heights.
    """
    watch = HeightChange()
    flown_s = way_m = 0.0
    static_pa = impact_pa = last_s = None
    for sample in samples:
        if isinstance(sample, Baro):
            static_pa = sample.static_pa
        elif isinstance(sample, Pitot):
            impact_pa = sample.impact_pa
        elif isinstance(sample, GnssVel) and static_pa is not None:
            step_s = 0.0 if last_s is None else sample.t_s - last_s
            last_s = sample.t_s
            if not 0.0 <= step_s <= SPARSE_JUMP_S:
                watch.reset()
                continue
            altitude_m = isa.altitude_m(static_pa)
            speed_mps = sample.speed_mps
            if not watch.changes(altitude_m, speed_mps, sample.t_s, step_s):
                continue
            if impact_pa is not None:
                air_k = isa.temperature_k(altitude_m)
                speed_mps = isa.tas_mps(max(impact_pa, 0.0), static_pa, air_k)
            flown_s += step_s
            way_m += speed_mps * step_s
    return min(max(OF_USUAL * way_m / flown_s, SLOWEST_MPS), FLYING_MPS) if flown_s > LEAST_S else None
