"""Framing and input checks: which samples reach the flight logic, and when."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Pitot, Reference, Sample, Supply, Tick
from tests.support.setups import check_frames, setup
from vario.app.replay.player import play
from vario.flight.inputs.battery import NO_BATTERY, BatteryStage
from vario.flight.inputs.channel_health import FROZEN_AFTER
from vario.flight.inputs.frames import APART_S, EMPTY_FRAME_S, FRAME_S, JUMP_S, SET_BACK_AFTER, Frame, Framer
from vario.flight.inputs.health import HealthStage
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.tone.cues import Cue
from vario.settings.load import parse_settings


def frames_of(samples: list[Sample]) -> list[Frame]:
    framer = Framer()
    frames = [frame for sample in samples for frame in framer.push(sample)]
    return frames + framer.flush()


@given(st.lists(st.floats(0.0, APART_S), min_size=1, max_size=200))
def test_every_sample_is_in_exactly_one_frame_and_time_only_advances(times: list[float]) -> None:
    samples: list[Sample] = [Baro(t, 90_000.0 + i) for i, t in enumerate(times)]
    frames = frames_of(samples)
    assert [sample for frame in frames for sample in frame.baro] == samples
    ends = [frame.t_s for frame in frames]
    assert all(a < b for a, b in itertools.pairwise(ends))
    for frame in frames:
        for sample in frame.baro:
            assert sample.t_s <= frame.t_s + 1e-9


@given(st.lists(st.floats(0.0, 60.0), min_size=2, max_size=50, unique=True))
def test_frame_steps_sum_to_the_time_between(times: list[float]) -> None:
    frames = frames_of([Baro(t, 90_000.0) for t in sorted(times)])
    for before, after in itertools.pairwise(frames):
        gap = after.t_s - before.t_s
        assert after.dt_s == (pytest.approx(gap) if gap <= JUMP_S else 0.0)


def test_silence_is_filled_with_empty_frames_so_that_outputs_age() -> None:
    frames = frames_of([Baro(0.0, 90_000.0), Baro(1.0, 90_000.0)])
    steps = [frame.dt_s for frame in frames[1:]]
    assert max(steps) <= EMPTY_FRAME_S + FRAME_S + 1e-9
    assert sum(1 for frame in frames if not frame.baro) >= 8


def test_a_jump_of_the_clock_is_not_filled() -> None:
    frames = frames_of([Baro(0.0, 90_000.0), Baro(1e6, 90_000.0)])
    assert len(frames) == 2
    assert frames[1].dt_s == 0.0


def test_ticks_let_time_pass_and_nothing_else() -> None:
    ticks: list[Sample] = [Tick(0.1 * tick) for tick in range(1, 60)]
    frames = frames_of([Baro(0.0, 90_000.0), *ticks])
    assert [frame.t_s for frame in frames if frame.baro] == [pytest.approx(FRAME_S)]
    assert frames[-1].t_s == pytest.approx(5.8, abs=2 * FRAME_S)  # the last one is still open
    assert max(frame.dt_s for frame in frames) <= EMPTY_FRAME_S + FRAME_S + 1e-9


def test_one_damaged_time_is_passed_over() -> None:
    for damaged_s in (1e6, 2000.0):
        steady = [Baro(t / 50, 90_000.0) for t in range(500)]
        frames = frames_of([*steady[:250], Baro(damaged_s, 90_000.0), *steady[250:]])
        assert [sample for frame in frames for sample in frame.baro] == steady


def test_a_clock_set_back_is_followed_after_half_a_second_of_samples() -> None:
    before = [Baro(1000.0 + t / 50, 90_000.0 + t % 3) for t in range(500)]
    after = [Baro(t / 50, 90_000.0 + t % 3) for t in range(1000)]
    frames = frames_of([*before, *after])
    kept = [sample for frame in frames for sample in frame.baro]
    assert kept[:500] == before
    assert kept[500:] == after[SET_BACK_AFTER - 1 :]
    afresh = [frame.t_s for frame in frames if frame.dt_s == 0.0]
    assert afresh == pytest.approx([1000.0 + FRAME_S, after[SET_BACK_AFTER - 1].t_s + FRAME_S])
    health = check(frames)
    assert health.channels["baro"].accepted == len(kept)


def test_what_is_held_is_bounded() -> None:
    framer = Framer()
    framer.push(Baro(1e6, 90_000.0))
    for i in range(20_000):
        framer.push(Baro(i / 50 % 3.0, 90_000.0 + i))
        assert sum(len(samples) for samples in framer._held.values()) < 5_000


def test_references_are_not_inputs() -> None:
    assert frames_of([Reference(0.0, "truth_vario_mps", 1.0)]) == []


def check(frames: list[Frame]) -> HealthStage:
    health = HealthStage(Setup())
    for _ in check_frames(health, frames):
        pass
    return health


def baro_frame(t_s: float, *samples: Baro) -> Frame:
    return Frame(t_s, FRAME_S, baro=samples)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 0.0, 9_999.0, 120_001.0])
def test_impossible_values_are_missing_not_used(bad: float) -> None:
    health = HealthStage(Setup())
    inputs = health.update(baro_frame(0.02, Baro(0.01, bad)))
    assert inputs.frame.baro == ()
    assert not inputs.has_baro
    assert health.channels["baro"].rejected == {"out of range": 1}


def test_duplicate_and_backward_times_are_refused() -> None:
    health = check([baro_frame(1.0, Baro(0.9, 9e4), Baro(0.9, 9e4), Baro(0.8, 9e4), Baro(0.95, 9e4))])
    assert health.channels["baro"].accepted == 2
    assert health.channels["baro"].rejected == {"duplicate or out of order": 2}


def test_late_samples_are_refused() -> None:
    health = check([baro_frame(10.0, Baro(7.9, 9e4))])
    assert health.channels["baro"].rejected == {"late": 1}


def test_a_missing_vertical_velocity_is_no_fault() -> None:
    health = HealthStage(Setup())
    inputs = health.update(Frame(0.02, FRAME_S, gnss_vel=(GnssVel(0.01, 10.0, 0.0, None),)))
    assert inputs.has_gnss


def test_a_sensor_is_gone_after_a_few_of_its_own_periods_and_returns() -> None:
    health = HealthStage(Setup())
    t_s = 0.0
    for _ in range(100):  # a 1 Hz receiver
        t_s += 1.0
        inputs = health.update(Frame(t_s, 1.0, gnss_vel=(GnssVel(t_s, 20.0, 0.01 * (t_s % 5), 0.0),)))
    assert inputs.has_gnss
    assert health.update(Frame(t_s + 3.5, 3.5)).has_gnss
    assert not health.update(Frame(t_s + 4.5, 1.0)).has_gnss
    back = t_s + 30.0
    assert health.update(Frame(back, 25.5, gnss_vel=(GnssVel(back, 20.0, 0.0, 0.0),))).has_gnss


def test_a_frozen_imu_is_missing() -> None:
    health = HealthStage(Setup())
    inputs = None
    for i in range(FROZEN_AFTER + 60):
        t_s = (i + 1) * 0.02
        accel, gyro = ImuAccel(t_s, 0.01, 0.0, -9.8), ImuGyro(t_s, 0.001 * (i % 7), 0.0, 0.0)
        inputs = health.update(Frame(t_s, 0.02, accel=(accel,), gyro=(gyro,)))
    assert inputs is not None
    assert not inputs.has_imu
    assert health.channels["imu_accel"].rejected["frozen"] > 0
    assert health.channels["imu_gyro"].rejected.total() == 0


def test_a_battery_that_runs_down_is_told_and_a_transmitting_radio_is_not() -> None:
    battery = BatteryStage(setup(low_voltage_v=11.5))
    told = []
    for second in range(120):
        volt = 12.4
        if 20 <= second < 26:
            volt = 11.0  # the radio
        if second >= 60:
            volt = 11.4
        told.append(battery.update(second + 0.5, (Supply(float(second), volt),)).low)
    assert told.index(True) == 70
    assert all(told[70:])
    assert battery.update(140.0, ()) == NO_BATTERY  # the sensor has gone: nothing is known


def test_without_a_voltage_set_the_battery_is_never_low() -> None:
    battery = BatteryStage(Setup())
    assert not any(battery.update(float(t), (Supply(float(t), 1.0),)).low for t in range(60))


def test_a_low_battery_sounds_its_warning() -> None:
    settings = parse_settings('[sensors.supply]\nlow_voltage = "11.5 V"\n', "settings").settings
    samples: list[Sample] = []
    for k in range(300):
        samples += [Baro(k / 10, 95_000.0 + k % 3), Supply(k / 10, 11.0)]
    readings = list(play(samples, Pipeline(settings, None, Noise(1.5, 1.0))))
    calls = {reading.tone.cue.cue for reading in readings if reading.tone.cue is not None}
    assert Cue.LOW_BATTERY in calls


def covered_flight(*, ground_mps: float, impact_pa: float) -> HealthStage:
    """Twenty seconds of a pitot and a GNSS receiver that contradict each other."""
    health = HealthStage(Setup())
    for i in range(1000):
        t_s = (i + 1) * 0.02
        velocity = (GnssVel(t_s, ground_mps, 0.001 * (i % 30), 0.0),) if i % 10 == 0 else ()
        pitot = (Pitot(t_s, impact_pa + 0.1 * (i % 3)),)
        inputs = health.update(Frame(t_s, 0.02, pitot=pitot, gnss_vel=velocity))
    assert inputs.has_pitot == (health.channels["pitot"].rejected.total() == 0)
    return health


@pytest.mark.parametrize(
    ("ground_mps", "impact_pa", "covered"),
    [(35.0, 0.0, True), (35.0, 500.0, False), (0.0, 0.0, False), (12.0, 5.0, False)],
)
def test_a_covered_pitot_is_no_airspeed_of_nothing(
    ground_mps: float, impact_pa: float, covered: bool
) -> None:
    health = covered_flight(ground_mps=ground_mps, impact_pa=impact_pa)
    assert (health.channels["pitot"].rejected["covered or blocked"] > 0) == covered


def test_a_covered_pitot_stays_covered_in_a_slow_circle_and_returns_when_it_reads() -> None:
    health = HealthStage(Setup())
    known = []
    for i in range(1500):
        t_s = (i + 1) * 0.02
        ground_mps = 35.0 if t_s < 15.0 else 18.0  # against the wind
        pitot = Pitot(t_s, (0.0 if t_s < 25.0 else 450.0) + 0.1 * (i % 3))
        velocity = GnssVel(t_s, ground_mps, 0.01 * (i % 3), 0.0)
        inputs = health.update(Frame(t_s, 0.02, pitot=(pitot,), gnss_vel=(velocity,)))
        known.append((t_s, inputs.has_pitot))
    assert not any(has_pitot for t_s, has_pitot in known if 6.0 < t_s < 25.0)
    assert all(has_pitot for t_s, has_pitot in known if t_s > 25.1)


def test_a_pitot_covered_from_the_start_is_never_believed_and_one_that_read_only_for_five_seconds() -> None:
    """Switched on in the air with the pitot cover on: the vario is never presented as total energy."""
    for read_first in (False, True):
        health = HealthStage(Setup())
        last_s = 0.0
        for i in range(500):
            t_s = (i + 1) * 0.02
            impact_pa = 450.0 if read_first and t_s < 2.0 else 0.0
            velocity = GnssVel(t_s, 35.0, 0.01 * (i % 3), 0.0)
            pitot = Pitot(t_s, impact_pa + 0.1 * (i % 3))
            if health.update(Frame(t_s, 0.02, pitot=(pitot,), gnss_vel=(velocity,))).has_pitot:
                last_s = t_s
        assert last_s == pytest.approx(7.0 if read_first else 0.0, abs=0.05)


def test_velocities_do_not_keep_an_old_position_alive() -> None:
    health = HealthStage(Setup())
    first = GnssPos(0.01, 48.0, 11.0, 900.0)
    health.update(Frame(0.02, 0.02, gnss_pos=(first,), gnss_vel=(GnssVel(0.01, 30.0, 0.0, 0.0),)))
    for i in range(1, 50):
        t_s = 0.2 * i
        inputs = health.update(Frame(t_s + 0.02, 0.2, gnss_vel=(GnssVel(t_s, 30.0, 0.01 * (i % 3), 0.0),)))
    assert inputs.has_gnss
    assert not inputs.has_position


def test_a_covered_pitot_stays_covered_when_the_clock_is_set_back() -> None:
    health = HealthStage(Setup())
    for begun_s, dt_s in ((100.0, 0.02), (50.0, 0.0)):
        for i in range(1000):
            t_s = begun_s + (i + 1) * 0.02
            velocity = GnssVel(t_s, 35.0, 0.01 * (i % 3), 0.0)
            frame = Frame(
                t_s, dt_s if i == 0 else 0.02, pitot=(Pitot(t_s, 0.1 * (i % 3)),), gnss_vel=(velocity,)
            )
            if dt_s == 0.0 and i == 0:
                health.reset(ResetReason.CLOCK_SET_BACK)
            inputs = health.update(frame)
        assert not inputs.has_pitot
