"""The clock jumps in a circle: values that span the jump are forgotten, the others continue.

The same flight without a jump is the reference; the physics does not depend on the time of day (common
practice, no source).
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import pytest

from drivers.samples import Sample, Supply
from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from tests.support.compiled import interpreted_only
from tests.support.setups import setup
from vario.app.replay.player import Player, noise_of
from vario.flight.inputs.battery import BatteryStage
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.stage import ResetReason
from vario.flight.thermal.climbs import Climb
from vario.flight.tone.cues import RULES, Cue, CueInputs, CueStage
from vario.settings.load import parse_settings

JUMP_AT_S = 400.0
"""In the first thermal of the bundled flight: wind, turn average, climb and expected climb are known."""

BEGIN_S = 290.0
"""The instrument is switched on shortly before this thermal."""

AFTER_S = 40.0
"""Flown after the jump: a circle and a half, then straight on."""

JUMPS_S = [
    -300.0,
    pytest.param(-30.0, marks=pytest.mark.long),
    pytest.param(30.0, marks=pytest.mark.long),
    pytest.param(600.0, marks=pytest.mark.long),
    pytest.param(86_400.0, marks=pytest.mark.long),
]


@dataclass(frozen=True, eq=False)
class Flown:
    """The instrument before the jump, its last reading, the following samples, and its readings of them."""

    player: Player
    last: Reading
    samples: list[Sample]
    readings: list[Reading]

    @property
    def straight_s(self) -> float:
        return next(r.t_s for r in self.readings if r.mode is Mode.CRUISE)


@pytest.fixture(scope="module")
def flown() -> Flown:
    source = open_source(BUNDLED)
    loaded = parse_settings(source.info.config_toml or "", "settings", source.info.glider_toml)
    player = Player(Pipeline(loaded.settings, loaded.glider, noise_of(loaded.settings, source.info)))
    last, after = None, []
    for sample in source:
        if sample.t_s < BEGIN_S:
            continue
        if sample.t_s < JUMP_AT_S:
            for last in player.push(sample):  # noqa: B007  (the latest is wanted)
                pass
        elif sample.t_s < JUMP_AT_S + AFTER_S:
            after.append(sample)
        else:
            break
    assert last is not None
    player.pipeline.finished_climbs()
    return Flown(deepcopy(player), last, after, [r for s in after for r in player.push(s)])


@cache
def jumped(flown: Flown, jump_s: float) -> tuple[list[Climb], list[Reading]]:
    """The climbs that end by a jump, and the readings from there on."""
    player = deepcopy(flown.player)
    readings = [r for s in flown.samples for r in player.push(replace(s, t_s=s.t_s + jump_s))]
    times = [flown.last.t_s, *(r.t_s for r in readings)]
    (first,) = (at for at, (a, b) in enumerate(pairwise(times)) if not 0.0 < b - a < 5.0)
    return list(player.pipeline.finished_climbs()), readings[first:]


@interpreted_only
def test_before_the_jump_all_is_known(flown: Flown) -> None:
    last = flown.last
    assert last.mode is Mode.CIRCLING
    assert None not in {last.position, last.wind, last.place, last.thermal.circle, last.expected.climb_mps}
    assert None not in {last.averages.average_mps, last.averages.turn_mps, last.averages.climb_mps}


@interpreted_only
@pytest.mark.parametrize("jump_s", JUMPS_S)
def test_nothing_reaches_across_a_jump(flown: Flown, jump_s: float) -> None:
    climbs, readings = jumped(flown, jump_s)
    first = readings[0]
    begun_s = JUMP_AT_S + jump_s
    assert first.averages.average_mps is first.averages.turn_mps is first.averages.climb_gain_m is None
    assert first.thermal.circle is first.expected.climb_mps is None
    assert first.turning.turned_rad == pytest.approx(0.0, abs=0.05)
    for reading in readings:
        # It is an average over the way across a circle, ten seconds and more.
        assert reading.expected.climb_mps is None or reading.t_s >= begun_s + 10.0
        assert reading.position is None or begun_s - 1.0 <= reading.position.t_s <= reading.t_s
        assert reading.turning.since_s >= begun_s or not reading.turning.active
        assert all(begun_s <= point.t_s <= reading.t_s for point in reading.thermal.lift_map)
        if reading.averages.turn_s is not None:
            assert reading.averages.turn_s <= reading.t_s - begun_s
        if reading.wind is not None:
            assert reading.wind.age_s >= 0.0
    (climb,) = climbs  # the one that the jump cut off
    assert climb.end_s <= JUMP_AT_S
    assert climb.gain_m == pytest.approx(flown.last.averages.climb_gain_m, abs=2.0)


@interpreted_only
@pytest.mark.parametrize("jump_s", JUMPS_S)
def test_after_a_jump_it_is_soon_as_if_there_had_been_none(flown: Flown, jump_s: float) -> None:
    _, readings = jumped(flown, jump_s)
    assert readings[0].mode is Mode.CIRCLING
    assert all(r.quality == Quality.OK for r in readings if r.t_s - jump_s > JUMP_AT_S + 2.0)
    there = {round(r.t_s, 2): r for r in flown.readings}
    settled = [r for r in readings if r.t_s - jump_s > JUMP_AT_S + 15.0]
    assert settled
    for reading in settled:
        other = there[round(reading.t_s - jump_s, 2)]
        assert reading.position is not None
        assert reading.needle_mps == pytest.approx(other.needle_mps, abs=0.8)  # damped by 0.2 s
        assert reading.energy.tas_mps == pytest.approx(other.energy.tas_mps, abs=0.3)
    (straight_s,) = (b.t_s - jump_s for a, b in pairwise(readings) if a.mode is not b.mode)
    assert straight_s == pytest.approx(flown.straight_s, abs=0.5)
    assert readings[-1].tone.cue is not None
    assert readings[-1].tone.cue.cue is Cue.CRUISE_BEGUN
    last, other = readings[-1], there[round(readings[-1].t_s - jump_s, 2)]
    assert last.averages.average_mps == pytest.approx(other.averages.average_mps, abs=0.2)


@interpreted_only
@pytest.mark.parametrize("jump_s", JUMPS_S)
def test_the_wind_ages_across_a_gap_and_goes_where_the_clock_was_set_back(
    flown: Flown, jump_s: float
) -> None:
    _, readings = jumped(flown, jump_s)
    before, after = flown.last.wind, readings[0].wind
    assert before is not None
    if jump_s < 0.0:
        assert after is None
    elif after is not None:
        assert after.north_mps == pytest.approx(before.north_mps, abs=0.3)
        assert after.east_mps == pytest.approx(before.east_mps, abs=0.3)
        assert after.age_s >= before.age_s


CALM = CueInputs(
    0.0,
    Mode.CRUISE,
    Quality.OK,
    vario_known=True,
    centring_now=None,
    worth_turning=False,
    setting_rejected=False,
    battery_low=False,
    expected_sensors=Quality.OK,
)


@pytest.mark.parametrize("begun_s", [100.0, 2000.0])
def test_a_battery_is_called_low_after_a_jump_as_before(begun_s: float) -> None:
    stage = BatteryStage(setup(low_voltage_v=11.0))

    def low_after_s(start_s: float) -> int:
        return next(k for k in range(60) if stage.update(start_s + k, (Supply(start_s + k, 10.5),)).low)

    usual_s = low_after_s(1000.0)
    stage.reset(ResetReason.CLOCK_SET_BACK)
    assert low_after_s(begun_s) == usual_s


def test_a_warning_given_before_a_jump_back_holds_none_back_after_it() -> None:
    stage = CueStage()
    stage.update(replace(CALM, t_s=1000.0))
    first = stage.update(replace(CALM, t_s=1001.0, battery_low=True))
    assert first is not None
    assert first.cue is Cue.LOW_BATTERY
    stage.reset(ResetReason.CLOCK_SET_BACK)
    stage.update(replace(CALM, t_s=100.0))
    again = stage.update(replace(CALM, t_s=101.0, battery_low=True))
    assert again is not None
    assert again.number == first.number + 1
    # And the time between two holds from there on.
    (rule,) = [rule for rule in RULES if rule.cue is Cue.LOW_BATTERY]
    numbers = []
    for second in range(102, 102 + round(rule.again_after_s)):
        call = stage.update(replace(CALM, t_s=float(second), battery_low=True))
        numbers.append(call.number if call is not None else 0)
    assert set(numbers[:-2]) == {again.number}
    assert numbers[-1] == again.number + 1


def test_a_sensor_that_does_not_speak_in_the_first_frame_after_a_jump_is_not_lost() -> None:
    stage = CueStage()
    for k in range(1000):
        stage.update(replace(CALM, t_s=0.02 * k))
    stage.reset(ResetReason.CLOCK_SET_BACK)
    after = [
        stage.update(
            replace(CALM, t_s=600.0 + 0.02 * k, quality=Quality.NO_AIRSPEED if k < 2 else Quality.OK)
        )
        for k in range(100)
    ]
    assert all(call is None or call.cue is not Cue.SENSOR_LOST for call in after)
    # One that has spoken since, and then does not, is.
    lost = [
        stage.update(replace(CALM, t_s=605.0 + 0.02 * k, quality=Quality.NO_AIRSPEED)) for k in range(100)
    ]
    assert any(call is not None and call.cue is Cue.SENSOR_LOST for call in lost)
