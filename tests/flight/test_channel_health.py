"""Sensors that freeze, jump or are late: which samples are used."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from drivers.samples import CHANNELS, Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Oat, Pitot, Sample
from tests.support.setups import check_frames
from vario.flight.estimate.noise_watch import NoiseWatch
from vario.flight.inputs.channel_health import ChannelHealth
from vario.flight.inputs.frames import Frame, Framer
from vario.flight.inputs.health import HealthStage, Inputs
from vario.flight.setup import Setup


def accepted(channel: str, samples: Sequence[Sample], *, moving: bool = False) -> list[Sample]:
    health = ChannelHealth(CHANNELS[channel])
    return [kept for sample in samples for kept in health.check((sample,), sample.t_s + 0.01, moving=moving)]


def baro(values: Sequence[float], rate_hz: float = 25.0) -> list[Sample]:
    return [Baro(round(i / rate_hz, 6), value) for i, value in enumerate(values)]


def noisy(count: int, seed: int, step_pa: float = 0.1) -> list[float]:
    values = 90_000.0 + np.random.default_rng(seed).normal(0.0, 1.5, count)
    return [round(round(value / step_pa) * step_pa, 3) for value in values.tolist()]


def test_a_barometer_that_hangs_is_missing_within_a_second_and_a_half_and_returns_at_once() -> None:
    values = noisy(2000, 1)
    hung = [*values[:1500], *[values[1500]] * 250, *values[1750:]]
    kept = [sample.t_s for sample in accepted("baro", baro(hung))]
    assert not [t_s for t_s in kept if 61.5 < t_s < 70.0]
    assert [t_s for t_s in kept if t_s >= 70.0] == [s.t_s for s in baro(hung)[1750:]]


@pytest.mark.parametrize("step_pa", [0.1, 1.0, 3.0, 6.0])
def test_a_coarse_sensor_at_rest_does_not_hang(step_pa: float) -> None:
    """Up to a resolution of four times the noise, where four of five readings repeat the one before."""
    samples = baro(noisy(20_000, 2, step_pa), rate_hz=50.0)
    assert len(accepted("baro", samples)) == len(samples)


def test_a_slow_height_in_whole_metres_may_stand_still() -> None:
    samples = baro([90_000.0] * 600, rate_hz=1.0)
    assert len(accepted("baro", samples)) == 600


def test_a_fix_that_stands_still_while_the_glider_moves_hangs() -> None:
    fixes: list[Sample] = [GnssPos(i / 4, 50.0, 10.0, 800.0) for i in range(100)]
    assert len(accepted("gnss_pos", fixes, moving=True)) == 8
    assert len(accepted("gnss_pos", fixes)) == 100  # parked
    velocities: list[Sample] = [GnssVel(i / 4, 30.0, 1.0, None) for i in range(100)]
    assert len(accepted("gnss_vel", velocities, moving=True)) == 8


def leap(channel: str, make: Callable[[float, float], Sample], usual: float, off: float, s: float) -> float:
    """The time for which wrong readings are rejected, from the first of them."""
    rng = np.random.default_rng(4)
    samples = [
        make(
            round(i / 50, 6), usual + 1e-3 * float(rng.normal()) + (off if 10.0 <= i / 50 < 10.0 + s else 0.0)
        )
        for i in range(2000)
    ]
    kept = {sample.t_s for sample in accepted(channel, samples)}
    refused = [sample.t_s for sample in samples if sample.t_s not in kept]
    return len(refused) / 50


CASES: dict[str, tuple[str, Callable[[float, float], Sample], float, float, float]] = {
    "barometer": ("baro", Baro, 90_000.0, 300.0, 2.0),
    "accelerometer": ("imu_accel", lambda t, v: ImuAccel(t, 0.0, 0.0, v), -9.8, 20.0, 1.5),
    "gyro": ("imu_gyro", lambda t, v: ImuGyro(t, v, 0.0, 0.0), 0.0, 2.0, 1.5),
    "temperature": ("oat", Oat, 285.0, -40.0, 60.0),
}


@pytest.mark.parametrize("case", CASES)
def test_a_spike_is_refused_and_what_lasts_is_believed(case: str) -> None:
    channel, make, usual, off, lasts_s = CASES[case]
    assert leap(channel, make, usual, off, 0.02) == pytest.approx(0.02)
    there_and_back_s = 2.0 * lasts_s if lasts_s < 15.0 else 15.0
    assert leap(channel, make, usual, off, 15.0) == pytest.approx(there_and_back_s, abs=0.05)
    assert leap(channel, make, usual, 0.01 * off, 15.0) == 0.0


def test_late_motion_is_none_and_a_late_height_is_one() -> None:
    late = ImuAccel(1.0, 0.0, 0.0, -9.8)
    assert ChannelHealth(CHANNELS["imu_accel"]).check((late,), 1.5) == ()
    health = ChannelHealth(CHANNELS["baro"])
    for i in range(100):
        assert health.check((Baro(i / 25, 90_000.0 + i),), i / 25 + 0.9)
    assert health.fresh(99 / 25 + 1.0)  # it delivers, although its samples are old


@pytest.mark.parametrize("times", [1.0, 2.0, 10.0, 30.0])
@pytest.mark.parametrize("spiky", [False, True])
def test_the_noise_of_a_barometer_is_found_in_flight(times: float, *, spiky: bool) -> None:
    """Within a quarter, from readings alone, in a zoom of 3 m/s² and with a spike among fifty."""
    rng = np.random.default_rng(6)
    watch = NoiseWatch(1.5)
    found = []
    for i in range(2000):
        t_s = i / 25
        zoom_pa = 36.0 * (1.0 - math.cos(t_s))  # 12 Pa a metre
        spike_pa = 300.0 if spiky and rng.random() < 0.02 else 0.0
        watch.take(Baro(t_s, 90_000.0 + zoom_pa + spike_pa + float(rng.normal(0.0, 1.5 * times))))
        found.append(watch.sigma_pa)
    late = np.mean(found[500:])
    assert late == pytest.approx(1.5 * times, rel=0.25) if times > 5.0 else late == 1.5


def instrument(samples: Sequence[Sample]) -> list[Inputs]:
    framer, health = Framer(), HealthStage(Setup())
    frames = [frame for sample in samples for frame in framer.push(sample)]
    return list(check_frames(health, [*frames, *framer.flush()]))


@pytest.mark.parametrize("jump_s", [-30.0, -5.0, 5.0, 30.0, 300.0])
@pytest.mark.parametrize("sick", [(ImuAccel, ImuGyro), (Baro,), (GnssVel, GnssPos)])
def test_a_clock_that_runs_away_takes_its_own_sensor_only(
    sick: tuple[type[Sample], ...], jump_s: float
) -> None:
    """From 10 s to 20 s one sensor has wrong time stamps; the samples of the others are used as before."""
    samples: list[Sample] = []
    for i in range(30 * 50):
        t_s = round(i / 50 + 300.0, 6)
        row: list[Sample] = [
            ImuAccel(t_s, 0.001 * (i % 7), 0.0, -9.8),
            ImuGyro(t_s, 0.001 * (i % 7), 0.0, 0.0),
            Baro(t_s, 90_000.0 + i % 3),
            Pitot(t_s, 500.0 + i % 3),
        ]
        if i % 10 == 0:
            row += [GnssPos(t_s, 50.0 + 1e-5 * i, 10.0, 800.0), GnssVel(t_s, 30.0, 0.01 * (i % 30), None)]
        off_s = jump_s if 10.0 <= i / 50 < 20.0 else 0.0
        for sample in row:
            if isinstance(sample, sick):
                samples.append(replace(sample, t_s=t_s + off_s))
            else:
                samples.append(sample)
    seen = instrument(samples)
    times = [inputs.frame.t_s for inputs in seen]
    assert max(b - a for a, b in itertools.pairwise(times)) < 0.03
    others = {Baro: "has_baro", Pitot: "has_pitot", ImuAccel: "has_imu", GnssVel: "has_gnss"}
    for kind, flag in others.items():
        lost = [inputs.frame.t_s - 300.0 for inputs in seen if not getattr(inputs, flag)]
        if kind in sick:
            assert min(lost) < 11.5
            assert max(lost) < 20.5
        else:
            assert max(lost, default=0.0) < 1.0


def test_all_clocks_together_are_followed() -> None:
    for jump_s in (30.0, -30.0, -5.0):
        samples: list[Sample] = []
        for i in range(20 * 50):
            t_s = round(i / 50 + 300.0 + (jump_s if i >= 500 else 0.0), 6)
            samples += [Baro(t_s, 90_000.0 + i % 3), Pitot(t_s, 500.0 + i % 3)]
        frames = [inputs.frame for inputs in instrument(samples)]
        assert [frame.dt_s for frame in frames].count(0.0) == 2  # the first, and the first after the jump
        heard = sum(len(frame.baro) for frame in frames)
        assert heard >= 1000 - 101  # half of the 200 that prove a clock set back are these


def test_a_frame_says_how_old_its_samples_are() -> None:
    framer = Framer()
    frames: list[Frame] = []
    for sample in (Baro(0.0, 9e4), Pitot(0.5, 500.0), Baro(0.1, 9e4), Pitot(0.52, 500.0)):
        frames += framer.push(sample)
    (late,) = [frame for frame in frames if frame.baro and frame.pitot]
    assert late.t_s - late.baro[0].t_s == pytest.approx(0.42)
