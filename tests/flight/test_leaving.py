"""Leaving a thermal, and when leaving is advised.

* A climb weaker than the MacCready value is left: P. MacCready, Soaring 1954.
* Truth of the flights: see `leaving_bars`. No constant was chosen on these seeds.
"""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from tests.support.example_polars import energy_at
from tests.support.flown_turns import DT_S, TURN, Paper, airborne
from tests.support.leaving_bars import leave
from tests.support.setups import setup
from vario.flight.motion.mode import Mode
from vario.flight.thermal.averages import Averages
from vario.flight.thermal.leave import TRANSITIONS, LeaveAdvice, LeaveStage
from vario.flight.tone.circle_bells import TRANSITIONS as BELLS
from vario.flight.tone.circle_bells import Bells, CircleBellsStage


def test_a_correction_of_the_heading_does_not_keep_circling() -> None:
    """Level wings, and after two seconds 20 degrees more in the same direction."""
    paper = airborne().fly(72.0, TURN, climb_mps=2.0)
    level_s = paper.t_s
    paper.fly(2.0).fly(2.0, math.radians(10.0)).fly(10.0)
    assert paper.names()[-1] == "cruise"
    # The turn rate of the correction is a part of the mean over 5.5 s: 20 of 27.5 degrees.
    assert paper.modes[-1][0] - level_s <= 5.5


def test_a_corner_the_other_way_neither_keeps_circling_nor_prolongs_the_climb() -> None:
    paper = airborne().fly(72.0, TURN, climb_mps=2.0)
    level_s = paper.t_s
    paper.fly(6.0, -TURN, climb_mps=2.0).fly(90.0, climb_mps=-1.0)
    assert paper.names()[-1] == "cruise"
    assert paper.modes[-1][0] - level_s <= 4.0
    (climb,) = paper.averages.finished()
    assert climb.end_s == pytest.approx(level_s, abs=1.0)
    assert climb.gain_m == pytest.approx(144.0, abs=5.0)


def test_the_wings_level_for_a_moment_go_on_circling_after_a_quarter_turn() -> None:
    paper = airborne().fly(72.0, TURN).fly(5.0)
    assert paper.names()[-1] == "cruise"
    begun_s = paper.t_s
    paper.fly(10.0, TURN)
    assert paper.names()[-1] == "circling"
    assert paper.modes[-1][0] - begun_s <= 6.5  # 90 degrees take 6 s


def told_modes(paper: Paper, legs: list[tuple[float, float]]) -> list[Mode]:
    """What the bells announce, while legs of seconds and turn rate are flown."""
    bells, told = CircleBellsStage(setup()), [Mode.CRUISE]
    for seconds, rate_radps in legs:
        for _ in range(round(seconds / DT_S)):
            paper.fly(DT_S, rate_radps)
            told.append(bells.update(DT_S, paper.modes[-1][1], paper.turning_now))
    return [new for old, new in pairwise(told) if new is not old]


def test_a_shift_of_the_circle_rings_no_bells() -> None:
    """Wings level for five seconds: the mode changes twice; the bells wait for straight flight."""
    paper = airborne()
    assert told_modes(paper, [(72.0, TURN), (5.0, 0.0), (24.0, TURN)]) == [Mode.CIRCLING]
    assert paper.names()[-3:] == ["circling", "cruise", "circling"]
    assert told_modes(airborne(), [(72.0, TURN), (9.0, 0.0)]) == [Mode.CIRCLING, Mode.CRUISE]
    assert {row.start for row in BELLS} == {row.end for row in BELLS} == set(Bells)


def test_a_search_circle_in_sink_is_no_climb_and_no_part_of_one() -> None:
    paper = airborne().fly(60.0, TURN, climb_mps=-1.0).fly(90.0)
    paper.averages.close()
    assert paper.averages.finished() == []
    paper = airborne().fly(72.0, TURN, climb_mps=2.0)
    end_s = paper.t_s
    paper.fly(12.0, climb_mps=-1.0).fly(30.0, TURN, climb_mps=-1.5).fly(90.0, climb_mps=-1.0)
    (climb,) = paper.averages.finished()
    assert climb.end_s == pytest.approx(end_s, abs=1.0)
    assert climb.gain_m == pytest.approx(144.0, abs=5.0)


def advised(climbs_mps: list[float | None], maccready_mps: float, mode: Mode = Mode.CIRCLING) -> list[bool]:
    stage = LeaveStage(setup(maccready_mps=maccready_mps))
    return [
        stage.update(Averages(None, None, None, turns_mps=climb), energy_at(0.0), mode)
        for climb in climbs_mps
    ]


def test_leaving_is_advised_below_maccready_with_a_hysteresis() -> None:
    assert advised([2.5, 1.9, 1.7, 1.9, 2.1], 2.0) == [False, False, True, True, False]
    assert advised([-1.0, -1.0], 0.0) == [False, False]
    assert advised([None, None], 2.0) == [False, False]
    assert advised([0.5], 2.0, Mode.CRUISE) == [False]
    assert {row.start for row in TRANSITIONS} == {row.end for row in TRANSITIONS} == set(LeaveAdvice)


def test_the_average_of_two_turns_covers_just_two() -> None:
    paper = airborne().fly(47.0, TURN, climb_mps=1.0)
    assert paper.last.turns_mps is None
    paper.fly(24.0, TURN, climb_mps=1.0)
    assert paper.last.turns_mps == pytest.approx(1.0, abs=1e-6)
    paper.fly(24.0, TURN, climb_mps=3.0)
    assert paper.last.turns_mps == pytest.approx(2.0, abs=0.02)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(9200, 9210))
def test_leaving_is_told_within_four_seconds_and_the_climb_is_true(seed: int) -> None:
    """Cruise 4 s after level wings; no bells in shifts; end of the climb within 5 s, gain within 5 m."""
    left = leave(seed)
    assert left.late_s is not None
    assert left.late_s <= 4.0
    if left.gain_off_m is not None and left.end_late_s is not None:
        assert abs(left.end_late_s) <= 5.0
        assert abs(left.gain_off_m) <= 5.0
