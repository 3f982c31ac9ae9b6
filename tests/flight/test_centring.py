"""The centring cue: its moment, its size, the manoeuvre it calls for, and when it is silent.

Corrections: the rules of 270 and 60 degrees of FAA-H-8083-13, Glider Flying Handbook (2003), ch. 10.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import drawn
from tests.support.paper_circle import FAR_OFF, PERIOD_S, TOWARDS, Paper, apart_deg
from vario.flight.motion.mode import Mode
from vario.flight.motion.turning import Turning
from vario.flight.thermal.centring import TRANSITIONS, CentringCue, CentringState
from vario.flight.thermal.core_fit import Core, circle_mean_mps
from vario.flight.thermal.shifting import LAG_S, RollRate, Size, manoeuvre
from vario.settings.schema import Centring


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("reaction_s", [0.8, *(pytest.param(s, marks=pytest.mark.long) for s in (0.0, 2.0))])
@pytest.mark.parametrize("rate_dps", [10.0, pytest.param(20.0, marks=pytest.mark.long)])
def test_the_cue_leads_by_reaction_and_half_the_roll(way: int, reaction_s: float, rate_dps: float) -> None:
    """A roll at a constant rate p turns by g/(V·p)·ln(1/cos φ): integral of g·tan φ/V."""
    cue_settings = Centring.model_validate({"reaction": f"{reaction_s} s", "roll_rate": f"{rate_dps} deg/s"})
    towards = 1.0
    paper = Paper(way=way, towards_rad=towards, **FAR_OFF, settings=cue_settings)
    paper.fly(6 * PERIOD_S)
    assert 4 <= len(paper.cues) <= 6
    rate = math.tau / PERIOD_S
    tas = rate * FAR_OFF["circle_m"]
    bank = math.atan(tas * rate / 9.80665)
    half = 9.80665 / (tas * math.radians(rate_dps)) * math.log(1.0 / math.cos(bank))
    for nose, size in zip(paper.cues[1:], paper.sizes[1:], strict=True):
        assert size is not Size.LITTLE
        early = way * math.remainder(towards - nose, math.tau)
        assert math.degrees(early) == pytest.approx(math.degrees(half + rate * (reaction_s + LAG_S)), abs=6.0)


@settings(max_examples=30)
@given(st.sampled_from(Size), st.floats(20.0, 32.0), st.floats(20.0, 50.0), st.floats(8.0, 30.0))
def test_a_manoeuvre_shifts_the_circle_as_a_flown_path(
    size: Size, tas_mps: float, bank_deg: float, roll_dps: float
) -> None:
    """The path of a coordinated turn in small steps; the middle of a circle lies V²/(g·tan φ) beside it."""
    bank, rate = math.radians(bank_deg), math.radians(roll_dps)
    left, hold_s = size.value
    roll_s = bank * (1.0 - left) / rate
    north = east = heading = 0.0
    dt_s = 0.002
    for k in range(round((2.0 * roll_s + hold_s) / dt_s)):
        t = min(k * dt_s, 2.0 * roll_s + hold_s - k * dt_s)
        now = max(bank - rate * t, left * bank)
        north += tas_mps * math.cos(heading) * dt_s
        east += tas_mps * math.sin(heading) * dt_s
        heading += 9.80665 * math.tan(now) / tas_mps * dt_s
    radius = tas_mps**2 / (9.80665 * math.tan(bank))
    middle = (north - radius * math.sin(heading), east + radius * math.cos(heading) - radius)
    found = manoeuvre(size, tas_mps, bank, rate)
    assert math.hypot(*middle) == pytest.approx(found.shift_m, rel=0.03, abs=1.0)
    lag = 9.80665 * math.tan(bank) / tas_mps * LAG_S
    assert math.atan2(middle[1], middle[0]) == pytest.approx(found.half_rad - lag, abs=math.radians(1.5))


@pytest.mark.parametrize(
    ("circle_m", "distance_m", "radius_m"), [(100, 60, 130), (700, 300, 25), (900, 880, 25)]
)
def test_the_mean_around_a_circle_is_its_integral(
    circle_m: float, distance_m: float, radius_m: float
) -> None:
    angle = np.linspace(0.0, math.tau, 20_000, endpoint=False)
    squared = circle_m**2 + distance_m**2 - 2.0 * circle_m * distance_m * np.cos(angle)
    mean = 3.0 * float(np.mean(np.exp(-squared / radius_m**2)))
    core = Core(distance_m, 0.0, 3.0, radius_m, 10.0, 10.0)
    assert circle_mean_mps(core, circle_m, distance_m) == pytest.approx(mean, rel=1e-3, abs=1e-12)


def test_a_roll_rate_is_learned_from_rolls() -> None:
    learned = RollRate()
    bank, t_s = 0.0, 0.0
    for target_deg, rate_dps in [(40, 12), (0, 12)] * 4 + [(40, 2), (0, 2)]:
        target = math.radians(target_deg)
        while abs(bank - target) > 1e-6:
            step = math.radians(rate_dps) * 0.02
            bank += max(-step, min(step, target - bank))
            t_s += 0.02
            learned.update(t_s, bank)
    assert learned.learned_radps == pytest.approx(math.radians(12.0), rel=0.05)


def test_no_cue_in_even_lift_in_cruise_or_with_an_unsure_picture() -> None:
    assert _cues(Paper(**FAR_OFF))
    assert not _cues(Paper(offset_m=0.0))
    assert not _cues(Paper(offset_m=20.0))
    assert not _cues(Paper(**FAR_OFF), Mode.CRUISE)
    assert not _cues(Paper(**FAR_OFF, settings=Centring.model_validate({"min_gain": "2 m/s"})))


def test_another_zero_of_the_heading_ends_all_directions() -> None:
    paper = Paper(**FAR_OFF)
    before = paper.fly(2 * PERIOD_S)
    assert before.circle is not None
    assert before.shift is not None
    paper.from_north = False
    after = paper.fly(0.1)
    assert after.circle is after.shift is None
    assert after.lift_map == ()
    assert after.centring_cues == before.centring_cues > 0


def _cues(paper: Paper, mode: Mode = Mode.CIRCLING) -> list[float]:
    paper.fly(5 * PERIOD_S, mode)
    return paper.cues


@settings(max_examples=drawn(20))
@given(TOWARDS, st.floats(25.0, 70.0), st.booleans())
def test_handbook_rule_on_centring(turn: tuple[int, float], offset: float, by_core: bool) -> None:
    """FAA-H-8083-13, Glider Flying Handbook (2003), ch. 10, fig. 10-8: from the strongest lift turn on for
    270 degrees, then fly straight for a moment, and circle on: that moves the circle onto the core. Fig.
    10-10: 60 degrees after the weakest lift; that is 240 degrees after the strongest, 30 sooner.
    """
    way, towards = turn
    paper = Paper(way=way, offset_m=offset, towards_rad=towards, place_known=by_core)
    circle = paper.fly(4 * PERIOD_S).circle
    assert circle is not None
    assert circle.strongest_heading_rad is not None
    assert circle.roll_out_heading_rad is not None
    assert (
        apart_deg(circle.roll_out_heading_rad, circle.strongest_heading_rad + way * math.radians(270.0))
        < 1e-6
    )
    weakest = circle.strongest_heading_rad + math.pi
    assert apart_deg(circle.roll_out_heading_rad, weakest + way * math.radians(60.0)) < 30.0 + 1e-6
    # The middle of the circle moves with the glider while that flies straight.
    left = math.hypot(
        paper.core[0] - offset * math.cos(circle.roll_out_heading_rad),
        paper.core[1] - offset * math.sin(circle.roll_out_heading_rad),
    )
    assert left < 0.15 * offset


def test_a_picture_that_jumps_about_gives_no_burst_of_cues() -> None:
    cue, best = CentringCue(), manoeuvre(Size.USUAL, 25.0, 0.6, 0.25)
    given_at: list[float] = []
    for k in range(2000):
        heading = 0.02 * k
        turning = Turning(
            0.3, heading, 0.0, heading, active=True, now=True, heading_rad=heading % math.tau, from_north=True
        )
        if cue.update(best, (1.7 * k) % math.tau, turning, 0.8):
            given_at.append(heading)
    assert given_at
    assert np.all(np.diff(given_at) >= 0.75 * math.tau - 1e-9)


@pytest.mark.parametrize(("late_deg", "at_once"), [(5.0, True), (40.0, True), (50.0, False), (180.0, False)])
def test_a_core_known_too_late_is_called_at_once_or_in_the_next_turn(late_deg: float, at_once: bool) -> None:
    """Waiting costs a turn; half a right angle off, the shift still brings the circle nearer to the core."""
    cue, best, rate = CentringCue(), manoeuvre(Size.USUAL, 25.0, 0.6, 0.25), 0.3
    bearing = rate * 0.8 + best.half_rad - math.radians(late_deg)
    given_at: list[float] = []
    for k in range(round(1.4 * math.tau / 0.01)):
        heading = 0.01 * k
        turning = Turning(
            rate,
            heading,
            0.0,
            heading,
            active=True,
            now=True,
            heading_rad=heading % math.tau,
            from_north=True,
        )
        if cue.update(best, bearing, turning, 0.8):
            given_at.append(math.degrees(heading))
    assert given_at == pytest.approx([0.0] * at_once + [360.0 - late_deg], abs=1.0)


def test_every_state_of_the_cue_can_be_left_and_reached() -> None:
    assert {row.start for row in TRANSITIONS} == set(CentringState)
    assert {row.end for row in TRANSITIONS} == set(CentringState)
