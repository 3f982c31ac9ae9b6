"""Flights with airbrakes and with sinking air, by gliders of the general flight-dynamics library jsbsim.

The library's own airbrakes open, and a force against the flight path brings their sink to the drawn size:
those of its gliders alone add about 1 m/s, less than certification asks for (CS 22.75, from memory: a glide
no flatter than 1 in 7). Sensors have drawn errors (`estimator_flights`), a quarter of the flights has no
GNSS, and the glider file is wrong: its polar by −15 to +20 %, its mass by 10 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.support.estimator_flights import drawn, sense
from tests.support.estimator_tow import with_rope
from tests.support.truth_air import PRELUDE_S, Scene, Wish
from tests.support.truth_dynamics import RATE_HZ, TRUTH_DTYPE, Pilot, start_flight, step_flight
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.app.replay.player import Player
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.glider import Glider
from vario.settings.schema import Settings

KINDS = ("brakes", "brakes", "brakes", "sink", "sink", "sink", "lift", "fast", "turn", "plain")
GAP_S = 20.0
"""Between the parts of a flight, straight in still air."""

OWN_MPS = 3.0
"""With this drawn sink and more, the airbrakes of the library are fully open."""

MOVING_S = 8.0
"""The airbrakes move by 4 m/s a second, and the instrument needs time after it."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the flight: what happens, and how strongly."""

    kind: str
    begin_s: float
    end_s: float
    tas_mps: float
    brakes_mps: float
    air_mps: float
    ramp_s: float


@dataclass
class Judged:
    """What the instrument did in one flight.

    Attributes:
        found_s: from each opening to the end of the speed to fly.
        missed: openings after which it never ended.
        open_s: time with airbrakes open; `told_s`: of that, time with a speed to fly.
        back_s: from each closing to the next speed to fly in cruise.
        sink_s: time in sink with closed airbrakes; `silent_s`: of that, in cruise and without a speed.
        other_silent_s: time elsewhere with closed airbrakes, in cruise and without a speed.
    """

    found_s: list[float] = field(default_factory=list)
    missed: int = 0
    open_s: float = 0.0
    told_s: float = 0.0
    back_s: list[float] = field(default_factory=list)
    sink_s: float = 0.0
    silent_s: float = 0.0
    other_silent_s: float = 0.0


def parts(rng: np.random.Generator, kinds: tuple[str, ...] = KINDS) -> list[Part]:
    """The parts of a flight, in a drawn order."""
    begin_s, found = 10.0, []
    for kind in rng.permutation(kinds).tolist():
        seconds = rng.uniform(35.0, 60.0)
        found.append(
            Part(
                kind,
                begin_s,
                begin_s + seconds,
                rng.uniform(22.0, 30.0),
                rng.uniform(1.5, 4.0),
                rng.uniform(2.0, 5.5),
                rng.uniform(1.0, 8.0),
            )
        )
        begin_s += seconds + GAP_S
    return found


def scene_of(rng: np.random.Generator, flown: list[Part]) -> Scene:
    """The scene that these parts make, in drawn wind and turbulence."""
    wind_mps, towards_rad = rng.uniform(0.0, 8.0), rng.uniform(0.0, math.tau)

    def wind(t: float, _north_m: float, _east_m: float) -> tuple[float, float, float]:
        up = 0.0
        for part in flown:
            sign = {"sink": -1.0, "lift": 0.8}.get(part.kind, 0.0)
            inside = min(t - part.begin_s + part.ramp_s, part.end_s - t) / part.ramp_s
            up += sign * part.air_mps * max(0.0, min(1.0, inside))
        return wind_mps * math.cos(towards_rad), wind_mps * math.sin(towards_rad), up

    def options(t: float, _lift: float) -> Wish:
        part = at(flown, t)
        if part is None:
            return Wish(tas_mps=26.0)
        faster = {"fast": 36.0, "turn": 25.0, "lift": 23.0, "sink": min(36.0, 26.0 + 2.0 * part.air_mps)}
        bank = 0.5 if part.kind == "turn" else 0.0
        return Wish(bank_rad=bank, tas_mps=faster.get(part.kind, part.tas_mps))

    return Scene(
        options,
        wind,
        rng.uniform(0.2, 1.0),
        altitude_m=3500.0,
        duration_s=PRELUDE_S + flown[-1].end_s + GAP_S,
    )


def at(flown: list[Part], t_s: float) -> Part | None:
    """The part at a time since the prelude."""
    return next((part for part in flown if part.begin_s <= t_s < part.end_s), None)


def fly(seed: int, cache: Path, kinds: tuple[str, ...] = KINDS) -> Judged:
    """Fly a drawn flight and judge what the instrument says."""
    name = ("sgs126", "sgs233")[seed % 2]
    rng = np.random.default_rng([seed, 41])
    flown = parts(rng, kinds)
    scene = scene_of(rng, flown)
    fdm = start_flight(name, scene, with_rope(name, cache.resolve()))
    weight_lbs, moves = fdm["inertia/weight-lbs"], np.random.default_rng([seed, 42])
    pilot, place_m, brakes_mps, rows = Pilot(moves), [0.0, 0.0], 0.0, []
    for step in range(1, round(scene.duration_s * RATE_HZ) + 1):
        t_s = step / RATE_HZ
        part = at(flown, t_s - PRELUDE_S)
        wanted = part.brakes_mps if part is not None and part.kind == "brakes" else 0.0
        brakes_mps += max(-0.04, min(0.04, wanted - brakes_mps))
        fdm["fcs/speedbrake-cmd-norm"] = min(1.0, wanted / OWN_MPS)
        tas_mps = max(10.0, fdm["velocities/vt-fps"] * 0.3048)
        fdm["external_reactions/tow/magnitude"] = -brakes_mps * weight_lbs / tas_mps
        rows.append(step_flight(fdm, scene, pilot, t_s, place_m=place_m, rng=moves))
    errors = np.random.default_rng([seed, 43])
    run = sense("airbrakes", np.array(rows, dtype=TRUTH_DTYPE), PRELUDE_S, drawn(errors), errors)
    player = Player(Pipeline(Settings(), _wrong(GLIDERS[name], errors), NOISE))
    readings = [r for sample in run.samples(gnss=seed % 4 < 3) for r in player.push(sample)]
    return judged(readings, flown)


def _wrong(glider: Glider, rng: np.random.Generator) -> Glider:
    """The glider file with errors."""
    share, heavier = float(rng.uniform(0.85, 1.2)), float(rng.uniform(0.9, 1.1))
    polar = glider.polar
    assert polar.a is not None
    assert polar.b is not None
    assert polar.c is not None
    scaled = polar.model_copy(update={"a": polar.a * share, "b": polar.b * share, "c": polar.c * share})
    return glider.model_copy(
        update={"polar": scaled, "reference_mass_kg": glider.reference_mass_kg * heavier}
    )


def judged(readings: list[Reading], flown: list[Part]) -> Judged:
    """Compare the speed to fly with the parts of the flight."""
    found, before_s = Judged(), PRELUDE_S
    ended: dict[float, float] = {}
    back: dict[float, float] = {}
    for reading in readings:
        t_s = reading.t_s - PRELUDE_S
        dt_s, before_s = reading.t_s - before_s, reading.t_s
        if t_s <= 0.0:
            continue
        part, told = at(flown, t_s), reading.speed.command_mps is not None
        lost = reading.mode is Mode.CRUISE and not told
        if part is not None and part.kind == "brakes":
            found.open_s += dt_s
            found.told_s += dt_s * told
            if lost:
                ended.setdefault(part.begin_s, t_s - part.begin_s)
            continue
        last = next((p for p in reversed(flown) if p.end_s <= t_s), None)
        if last is not None and last.kind == "brakes":
            if told:
                back.setdefault(last.end_s, t_s - last.end_s)
            if t_s - last.end_s < MOVING_S:
                continue
        if part is not None and part.kind == "sink":
            found.sink_s += dt_s
            found.silent_s += dt_s * lost
        else:
            found.other_silent_s += dt_s * lost
    found.found_s, found.back_s = list(ended.values()), list(back.values())
    found.missed = sum(part.kind == "brakes" for part in flown) - len(ended)
    return found
