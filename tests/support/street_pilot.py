"""Speed to fly in closed loop: a pilot who hears the command flies a glider through drawn streets.

The glider is a point mass on the example polar, with the drag of its load factor. The pilot hears nothing
while the airspeed is within the silent range of the tone, reacts after 0.5 to 1 s, and then flies to the
speed he has heard by a change of pitch of at most 6 degrees a second; this takes some 4 s. The stage sees the
air through a lag of 0.3 s and with noise. A flight is judged by its cross-country speed over a fixed way:
the height used is climbed back at the MacCready value. In a fixed time two flights would end in different
air, and one half wave of lift or sink is worth several percent.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drivers.isa import G0_MPS2
from tests.support.example_polars import CLUB, energy_at
from tests.support.speed_commands import stage
from vario.flight.cruise.airmass import Airmass
from vario.flight.motion.mode import Mode

DT_S = 0.1
STEP_M = 5.0
WAY_M = 24_000.0
LONGEST_S = 1600.0
QUIET_MPS = 8.0 / 3.6
"""The silent range of the tone, `speed_dead_band`."""

REACHED_MPS = 0.7
EDDY_M = 150.0
REVERSAL_MPS = 2.0
"""A change of the command that a pilot would follow."""

KINDS = {
    # half wave, m; strength, m/s; turbulence, m/s
    "long": ((900.0, 2500.0), (1.5, 2.5), (0.2, 0.5)),
    "medium": ((450.0, 900.0), (0.7, 1.8), (0.2, 0.5)),
    "short": ((150.0, 450.0), (0.4, 1.0), (0.2, 0.5)),
    "turbulence": ((900.0, 2000.0), (0.0, 0.0), (1.0, 1.0)),
}


@dataclass(frozen=True, slots=True)
class Street:
    """Rise of the air every 5 m, MacCready value, reaction time of the pilot, and a seed for the noise."""

    air_mps: list[float]
    maccready_mps: float
    reaction_s: float
    seed: int


def drawn(kind: str, seed: int) -> Street:
    """Alternating half waves of lift and sink, of drawn length and strength, and turbulence."""
    rng = np.random.default_rng([77, seed])
    (shortest, longest), (weakest, strongest), eddies = KINDS[kind]
    maccready_mps, reaction_s = rng.uniform(0.7, 2.5), rng.uniform(0.5, 1.0)
    way_m = np.arange(0.0, WAY_M, STEP_M)
    air_mps, at_m, sign = np.zeros_like(way_m), 0.0, 1.0
    while at_m < WAY_M:
        wave_m = rng.uniform(shortest, longest)
        inside = (way_m >= at_m) & (way_m < at_m + wave_m)
        air_mps[inside] = (
            sign * rng.uniform(weakest, strongest) * np.sin(math.pi * (way_m[inside] - at_m) / wave_m)
        )
        at_m, sign = at_m + wave_m, -sign
    eddy_mps, keep = rng.uniform(*eddies), math.exp(-STEP_M / EDDY_M)
    eddy, kicks = 0.0, math.sqrt(1.0 - keep * keep) * rng.standard_normal(len(way_m))
    for k, kick in enumerate(kicks):
        eddy = keep * eddy + kick
        air_mps[k] += eddy_mps * eddy
    return Street(air_mps.tolist(), maccready_mps, reaction_s, seed)


def fly(street: Street, mode: str) -> tuple[float, list[float]]:
    """Cross-country speed, m/s, and the commands at 10 Hz."""
    maccready_mps = street.maccready_mps
    made = stage(mode, maccready_mps)
    rng = np.random.default_rng([78, street.seed])
    noise = (0.12 * math.sqrt(2.0 * DT_S) * rng.standard_normal(round(LONGEST_S / DT_S))).tolist()
    speed_mps = target_mps = CLUB.speed_for_mps(maccready_mps)
    path_rad = -CLUB.sink_mps(speed_mps) / speed_mps
    way_m = energy_m = seen_mps = drift_mps = 0.0
    delay: deque[float] = deque(maxlen=1 + round(street.reaction_s / DT_S))
    chasing, commands, level = False, [], energy_at(0.0)
    for kick in noise:
        air_mps = street.air_mps[min(int(way_m / STEP_M), len(street.air_mps) - 1)]
        seen_mps += (1.0 - math.exp(-DT_S / 0.3)) * (air_mps - seen_mps)
        drift_mps += kick - drift_mps * DT_S
        netto_mps = seen_mps + drift_mps
        command_mps = made.update(DT_S, level, Airmass(netto_mps, netto_mps), Mode.CRUISE).command_mps
        assert command_mps is not None
        commands.append(command_mps)
        delay.append(command_mps)
        off_mps = abs(delay[0] - speed_mps)
        chasing = off_mps > QUIET_MPS or (chasing and off_mps > REACHED_MPS)
        target_mps = delay[0] if chasing else target_mps
        wanted_rad = -CLUB.sink_mps(target_mps) / target_mps - (target_mps - speed_mps) / (2.5 * G0_MPS2)
        wanted_rad = max(-0.25, min(0.25, wanted_rad))
        rate_radps = max(-math.radians(6.0), min(math.radians(6.0), (wanted_rad - path_rad) / 0.6))
        load = math.cos(path_rad) + speed_mps * rate_radps / G0_MPS2
        sink_mps = CLUB.sink_loaded_mps(speed_mps, load)
        speed_mps -= DT_S * G0_MPS2 * (math.sin(path_rad) + sink_mps / speed_mps)
        path_rad += rate_radps * DT_S
        way_m += speed_mps * math.cos(path_rad) * DT_S
        energy_m += (air_mps - sink_mps) * DT_S
        if way_m >= WAY_M:
            break
    assert way_m >= WAY_M
    elapsed_s = len(commands) * DT_S - (way_m - WAY_M) / speed_mps
    return WAY_M / (elapsed_s - energy_m / maccready_mps), commands


def reversals_a_minute(commands: list[float]) -> float:
    """How often the command turns back by `REVERSAL_MPS` or more."""
    extremes, way = [commands[0]], 0.0
    for value in commands:
        if way != 0.0 and (value - extremes[-1]) * way > 0.0:
            extremes[-1] = value
        elif abs(value - extremes[-1]) >= REVERSAL_MPS:
            way = math.copysign(1.0, value - extremes[-1])
            extremes.append(value)
    turns = sum(
        (b - a) * (c - b) < 0.0
        for (a, b), (_, c) in zip(pairwise(extremes), pairwise(extremes[1:]), strict=False)
    )
    return turns / (len(commands) * DT_S / 60.0)


def gain(kind: str, seed: int) -> float:
    """Cross-country speed with dolphin commands over that with block commands, less 1."""
    street = drawn(kind, seed)
    return fly(street, "dolphin")[0] / fly(street, "block")[0] - 1.0
