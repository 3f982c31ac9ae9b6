"""Pilots in the loop: a pilot who acts on the centring cues climbs better (`bench_pilot` has the table).

Truth: gliders of a general flight-dynamics library in drawn thermals, see `pilot_loop`. Constants were chosen
on some of these seeds, so this is a regression check; the benchmark gives the score.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.support.pilot_cases import climb_mps, core_of, draw, first_offset_m, scene_of
from tests.support.pilot_ears import ByEar, Constant
from tests.support.pilot_loop import STRAIGHT_S, Flown, fly_loop
from tests.support.setups import setup
from tests.support.truth_air import PRELUDE_S
from tests.support.truth_flight import fly
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.app.replay.player import Player, play
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.tone.cues import Cue
from vario.flight.tone.slow_turn import TRANSITIONS, SlowTurnStage, TurnSpeed
from vario.settings.schema import Circling, Settings


def _flown(seed: int, score_s: float, *, by_ear: bool) -> Flown:
    case = draw(seed)
    flier = ByEar(case.habits, seed) if by_ear else Constant(case.habits)
    player = Player(Pipeline(Settings(), GLIDERS[case.glider], NOISE)) if by_ear else None
    return fly_loop(
        scene_of(case, score_s),
        case.glider,
        flier,
        seed,
        core_of(case),
        player=player,
    )


@pytest.mark.long  # the short forms of the cues are on paper, in test_circle
@pytest.mark.parametrize(("seed", "score_s"), [(7008, 65.0), *((seed, 120.0) for seed in (7002, 7004, 7007))])
def test_who_acts_on_the_cues_gains_height(seed: int, score_s: float) -> None:
    """Cases in which the core lies more than 60 m off: the circle ends nearer to it and climbs better."""
    none = _flown(seed, score_s, by_ear=False)
    ear = _flown(seed, score_s, by_ear=True)
    assert first_offset_m(none) > 60.0
    assert climb_mps(ear) > climb_mps(none) + 0.15
    last = none.truth["t_s"] > none.truth["t_s"][-1] - 20.0
    distances = [
        float(np.hypot(f.truth["north_m"] - f.core_m[:, 0], f.truth["east_m"] - f.core_m[:, 1])[last].mean())
        for f in (none, ear)
    ]
    assert distances[1] < distances[0]


@pytest.mark.long
def test_no_call_to_turn_in_aerobatics(tmp_path: Path) -> None:
    """Steep turns, a stall, fast rolls and a steep climb, after ordinary turns either way; still air."""
    flight = fly("rough_handling", "sgs126", 7600, tmp_path)
    readings = list(play(flight.samples(), Pipeline(Settings(), GLIDERS["sgs126"], NOISE)))
    assert any(r.mode is Mode.CIRCLING for r in readings)
    assert not any(r.tone.cue is not None and r.tone.cue.cue is Cue.WORTH_TURNING for r in readings)


LIMITS = GLIDERS["sgs126"].limits


@pytest.mark.parametrize(("bank_deg", "share"), [(0.0, 1.0), (45.0, 1.189), (60.0, 1.414)])
def test_slow_for_the_bank_from_a_tenth_above_the_stall_speed(bank_deg: float, share: float) -> None:
    """The stall speed in a turn is VS·√n, 41 % more at 60 degrees of bank (FAA-H-8083-13)."""
    attitude = Attitude(0.0, math.radians(bank_deg), 0.3, 1.0 / math.cos(math.radians(bank_deg)))
    edge_mps = 1.1 * LIMITS.stall_mps * share
    for speed_mps, slow in ((edge_mps * 1.01, False), (edge_mps * 0.99, True)):
        stage = SlowTurnStage(setup(limits=LIMITS))
        assert _advised(stage, speed_mps, attitude) is slow
        assert not _advised(stage, speed_mps, attitude, Mode.CRUISE)
    heavy = SlowTurnStage(setup(limits=LIMITS, mass_ratio=1.44))
    assert _advised(heavy, edge_mps * 1.19, attitude)
    assert not _advised(heavy, edge_mps * 1.26, attitude)


def test_no_advice_without_what_it_needs() -> None:
    attitude = Attitude(0.0, 0.7, 0.3, 1.3)
    assert not _advised(SlowTurnStage(setup()), 12.0, attitude)
    assert not _advised(SlowTurnStage(setup(limits=LIMITS)), None, attitude)
    assert not _advised(SlowTurnStage(setup(limits=LIMITS)), 12.0, None)
    off = setup(limits=LIMITS, circling=Circling.model_validate({"slow_advice": "off"}))
    assert not _advised(SlowTurnStage(off), 12.0, attitude)
    assert {row.start for row in TRANSITIONS} == set(TurnSpeed)


def _advised(
    stage: SlowTurnStage, ias_mps: float | None, attitude: Attitude | None, mode: Mode = Mode.CIRCLING
) -> bool:
    return [stage.update(0.1, ias_mps, attitude, mode) for _ in range(40)][-1]


@pytest.mark.parametrize("minutes", [2, pytest.param(60, marks=pytest.mark.long)])
def test_no_advice_in_normal_circling(minutes: int) -> None:
    """32 to 40 degrees of bank at 23 to 25 m/s in bumpy thermals, ten minutes of each draw."""
    for k in range(max(1, minutes // 10)):
        flown = _flown(7300 + k, 60.0 * min(minutes, 10), by_ear=False)
        truth = flown.truth[flown.truth["t_s"] > PRELUDE_S + STRAIGHT_S + 10.0][::10]
        stage = SlowTurnStage(setup(limits=LIMITS))
        rng = np.random.default_rng(k)
        root = np.sqrt(truth["static_pa"] / 101325.0 * 288.15 / (288.15 - 0.0065 * truth["altitude_m"]))
        ias = truth["tas_mps"] * root + 0.3 * rng.standard_normal(len(truth))
        load = truth["load_factor"] + 0.02 * rng.standard_normal(len(truth))
        assert not any(
            stage.update(0.1, v, Attitude(0.0, 0.6, 0.3, n), Mode.CIRCLING)
            for v, n in zip(ias.tolist(), load.tolist(), strict=True)
        )
