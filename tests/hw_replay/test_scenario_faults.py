"""Faults of samples: each has its effect for its duration, on its channel only."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.samples import Baro, GnssPos, ImuGyro, Pitot, Reference, Sample
from hw_replay.simulate.faults import Fault, FaultKind, inject
from hw_replay.simulate.pressure_lines import LineKind
from tests.support.examples import drawn
from tests.support.samples_of import of

SIGMA = {"baro": 1.5, "pitot": 0.8, "imu_gyro": 0.01}


def flight() -> Iterator[Sample]:
    """A hundred seconds at rest, ten readings a second of everything, and truth beside it."""
    for i in range(1000):
        t_s = round(i * 0.1, 6)
        yield Baro(t_s, 95_000.0 + i)
        yield Pitot(t_s, 500.0)
        yield ImuGyro(t_s, 0.1, 0.2, 0.3)
        yield GnssPos(t_s, 50.0, 10.0, 400.0)
        yield Reference(t_s, "truth_vario_mps", 0.0)


def faulty(*faults: Fault, seed: int = 1) -> list[Sample]:
    return list(inject(flight(), faults, SIGMA, seed))


def baro(samples: list[Sample]) -> np.ndarray:
    return np.array([(s.t_s, s.static_pa) for s in of(Baro, samples)])


def test_no_fault_changes_nothing() -> None:
    assert faulty() == list(flight())


KINDS = sorted(set(get_args(FaultKind)) - set(get_args(LineKind)))


@settings(max_examples=drawn(40))
@given(st.sampled_from(KINDS), st.integers(0, 1000), st.floats(0.0, 90.0), st.floats(0.1, 10.0))
def test_a_fault_touches_its_own_channel_and_time_only(
    kind: FaultKind, seed: int, from_s: float, lasts_s: float
) -> None:
    fault = Fault("baro", kind, from_s, from_s + lasts_s, size=2.0, share=0.5, by_s=0.35)
    found = faulty(fault, seed=seed)
    for other in (Pitot, ImuGyro, GnssPos, Reference):
        assert of(other, found) == of(other, list(flight()))
    # Whatever a fault moves, it moves by less than two and a half seconds here.
    before = [s for s in of(Baro, found) if s.t_s < from_s - 2.5]
    assert before == [s for s in of(Baro, list(flight())) if s.t_s < from_s - 2.5]
    after = [s for s in of(Baro, found) if s.t_s > from_s + lasts_s + 2.5]
    assert after == [s for s in of(Baro, list(flight())) if s.t_s > from_s + lasts_s + 2.5]
    # Compared by their text, because NaN does not equal itself.
    assert repr(found) == repr(faulty(fault, seed=seed))


def test_loss_midway_and_altogether() -> None:
    times = baro(faulty(Fault("baro", "loss", 10.0, 20.0)))[:, 0]
    assert len(times) == 900
    assert not np.any((times >= 10.0) & (times < 20.0))
    assert not of(Baro, faulty(Fault("baro", "loss")))


def test_frozen_values_have_living_times() -> None:
    rows = baro(faulty(Fault("baro", "freeze", 10.0, 20.0)))
    frozen = (rows[:, 0] >= 10.0) & (rows[:, 0] < 20.0)
    assert set(rows[frozen, 1]) == {95_100.0}
    assert len(rows) == 1000
    assert rows[200, 1] == 95_200.0


def test_spikes_are_as_many_and_as_large_as_told() -> None:
    off = baro(faulty(Fault("baro", "spikes", size=300.0, share=0.1)))[:, 1] - (95_000.0 + np.arange(1000))
    assert set(np.unique(off)) == {-300.0, 0.0, 300.0}
    # Binomial: 100 of 1000 with a standard deviation of 9.5; four of these.
    assert 62 <= np.count_nonzero(off) <= 138


def test_a_bias_is_a_step_on_every_axis() -> None:
    found = faulty(Fault("imu_gyro", "bias", 50.0, size=0.05))
    gyro = np.array([(s.x_radps, s.y_radps, s.z_radps) for s in of(ImuGyro, found)])
    assert gyro[499] == pytest.approx((0.1, 0.2, 0.3))
    assert gyro[500] == pytest.approx((0.15, 0.25, 0.35))


def test_no_number_and_the_end_of_the_range() -> None:
    none = baro(faulty(Fault("baro", "no number", 10.0, 20.0)))
    assert np.isnan(none[100:200, 1]).all()
    assert not np.isnan(np.delete(none[:, 1], np.s_[100:200])).any()
    stopped = baro(faulty(Fault("baro", "stop", 10.0, 20.0, size=110_000.0)))
    assert set(stopped[100:200, 1]) == {110_000.0}
    assert stopped[200, 1] == 95_200.0


def test_ten_times_the_noise() -> None:
    """Added to noise that is there already, it makes ten times as much: variances add."""
    found = faulty(Fault("pitot", "noise", size=10.0))
    added = np.std([s.impact_pa for s in of(Pitot, found)])
    # 1000 readings determine their standard deviation to 2.2 %; the limit is four times that.
    assert math.hypot(added, SIGMA["pitot"]) == pytest.approx(10 * SIGMA["pitot"], rel=0.09)


def test_late_samples_keep_their_time_and_come_later() -> None:
    found = faulty(Fault("baro", "late", 10.0, 20.0, by_s=1.05))
    reached = list(itertools.accumulate((s.t_s for s in found), max))
    lateness = [now - s.t_s for now, s in zip(reached, found, strict=True) if isinstance(s, Baro)]
    assert max(lateness) == pytest.approx(1.0)
    assert sorted(baro(found)[:, 0]) == [s.t_s for s in flight() if isinstance(s, Baro)]


def test_late_stamps_move_times_only() -> None:
    rows = baro(faulty(Fault("baro", "stamped late", by_s=0.2)))
    assert rows[:, 0] == pytest.approx(np.arange(1000) * 0.1 + 0.2)


def test_duplicates_are_exact_and_disorder_loses_nothing() -> None:
    twice = baro(faulty(Fault("baro", "duplicates", share=0.2)))
    assert 1150 < len(twice) < 1250  # 200 expected, standard deviation 12.6; four of these
    assert len(np.unique(twice, axis=0)) == 1000
    mixed = baro(faulty(Fault("baro", "disorder", share=0.2)))
    assert sorted(mixed[:, 0]) == sorted(baro(list(flight()))[:, 0])
    assert 100 < np.count_nonzero(np.diff(mixed[:, 0]) < 0) < 250


@pytest.mark.parametrize("jump_s", [20.0, -3.0])
def test_a_clock_jump_takes_the_truth_along(jump_s: float) -> None:
    found = faulty(Fault("all", "clock jump", 50.0, size=jump_s))
    for kind in (Baro, Reference):
        times = np.array([s.t_s for s in of(kind, found)])
        assert np.diff(times)[499] == pytest.approx(0.1 + jump_s)
        assert np.delete(np.diff(times), 499) == pytest.approx(0.1)


def test_a_position_is_off_by_metres() -> None:
    (first, *_) = of(GnssPos, faulty(Fault("gnss_pos", "bias", size=1000.0)))
    # A degree of latitude is 111.2 km (mean; a nautical mile of 1852 m to the minute gives 111.1 km).
    assert (first.lat_deg - 50.0) * 60 * 1852 == pytest.approx(1000.0, rel=2e-3)
    assert first.altitude_m == pytest.approx(1400.0)


def test_a_repeated_fault_has_pauses() -> None:
    rows = baro(faulty(Fault("baro", "bias", 10.0, size=60.0, every_s=20.0, lasts_s=2.0)))
    off = rows[:, 1] - (95_000.0 + np.arange(1000))
    pulses = (rows[:, 0] >= 10.0) & ((rows[:, 0] - 10.0) % 20.0 < 2.0)
    assert set(off[pulses]) == {60.0}
    assert set(off[~pulses]) == {0.0}


def test_a_fault_of_the_altitude_leaves_the_place() -> None:
    (first, *_) = of(GnssPos, faulty(Fault("gnss_altitude", "bias", size=400.0)))
    assert first == GnssPos(0.0, 50.0, 10.0, 800.0)


def lines(kind: FaultKind, **sizes: float) -> tuple[np.ndarray, np.ndarray]:
    """Static and impact pressure from 1 s on with a fault of the lines, without noise; shape (990,) each."""
    found = list(inject(flight(), [Fault("pressures", kind, 1.0, **sizes)], {}, 1))
    static = np.array([s.static_pa for s in of(Baro, found)])
    return static[10:], np.array([s.impact_pa for s in of(Pitot, found)])[10:]


def test_blocked_and_narrow_pressure_lines() -> None:
    """FAA-H-8083-25, chapter 8: a blocked pitot works as an altimeter, a blocked static line stands still."""
    true = 95_000.0 + np.arange(10, 1000)  # rises by 10 Pa/s: the glider descends
    static, impact = lines("total blocked")
    assert static == pytest.approx(true)
    assert static + impact == pytest.approx(np.full(990, 95_510.0))
    static, impact = lines("static blocked")
    assert set(static) == {95_010.0}
    assert static + impact == pytest.approx(true + 500.0)  # the pitot head still has the total pressure
    static, impact = lines("static lag", by_s=5.0)
    # The output of a first-order lag follows a ramp with a delay of its time constant.
    assert static[-1] == pytest.approx(true[-1] - 5.0 * 10.0, abs=1.0)
    assert static + impact == pytest.approx(true + 500.0)


def test_a_total_energy_probe_takes_the_impact_pressure_away() -> None:
    static, impact = lines("static suction", size=1.0)
    assert set(impact) == {500.0}
    assert static[1:] == pytest.approx(95_000.0 + np.arange(11, 1000) - 500.0)


def test_faults_add_up_in_order() -> None:
    rows = baro(faulty(Fault("baro", "freeze", 10.0), Fault("baro", "bias", 10.0, size=7.0)))
    assert set(rows[100:, 1]) == {95_107.0}


def test_a_fault_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match=r"channel 'barometer': expected one of all, baro"):
        Fault("barometer", "loss")
    with pytest.raises(ValueError, match=r"kind 'gone': expected one of loss"):
        Fault("baro", "gone")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=r"'static lag' on channel 'baro': expected pressures"):
        Fault("baro", "static lag")
