"""Complete simulated flights: repeatable, in order, plausible; and the bundled flight."""

from __future__ import annotations

import itertools
import math
from collections import Counter, defaultdict
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from drivers.samples import CHANNEL_OF, CHANNELS, GnssPos, GnssVel, ImuAccel, ImuGyro, Reference
from hw_replay.recording import Recording
from hw_replay.simulate import demo_flight, long_flight, sensors_of, simulate
from hw_replay.simulate.demo import BUNDLED, write_recording
from hw_replay.simulate.sensors import Rates
from tests.support.bundled_flight import bundled

STEPS = {
    "pa": 0.1,
    "mps2": 0.0024,
    "radps": 0.00014,
    "deg": 1e-7,
    "m": 0.01,
    "mps": 1e-3,
    "k": 0.0625,
    "value": 1e-4,
}
"""The resolution of the simulated sensors and of the truth, by the unit at the end of the name."""


@pytest.fixture(scope="module")
def truth() -> dict[str, np.ndarray]:
    """Columns of the truth, by name, and the time as t_s."""
    columns: dict[str, list[float]] = defaultdict(list)
    for sample in bundled():
        if isinstance(sample, Reference):
            columns[sample.name].append(sample.value)
            if sample.name == "truth_altitude_m":
                columns["t_s"].append(sample.t_s)
    return {name: np.array(values) for name, values in columns.items()}


def test_the_same_seed_gives_the_same_flight_and_another_seed_another() -> None:
    first = list(simulate(long_flight(5.0, 5)))
    assert first == list(simulate(long_flight(5.0, 5)))
    other = [s for s in simulate(long_flight(5.0, 6)) if isinstance(s, ImuAccel)]
    assert [s for s in first if isinstance(s, ImuAccel)] != other


def test_a_recording_of_the_same_flight_has_the_same_bytes(tmp_path: Path) -> None:
    scenario = replace(demo_flight(), longest_s=5.0)
    for name in ("a", "b"):
        write_recording(tmp_path / name, scenario, "twice", "", "")
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_samples_come_in_order_at_their_rates_and_within_limits() -> None:
    samples = list(simulate(replace(long_flight(10.0, 5), truth_hz=5.0)))
    times = [sample.t_s for sample in samples]
    assert times == sorted(times)
    counts = Counter(CHANNEL_OF.get(type(sample)) for sample in samples)
    infos = sensors_of(long_flight(10.0, 5))
    for channel, info in infos.items():
        assert info.rate_hz is not None
        assert counts[channel] == math.ceil(10.0 * info.rate_hz), channel
    for sample in samples:
        if not isinstance(sample, Reference):
            for name, (low, high) in CHANNELS[CHANNEL_OF[type(sample)]].limits.items():
                assert low <= getattr(sample, name) <= high


def test_a_rate_the_simulation_cannot_keep_is_refused() -> None:
    scenario = replace(long_flight(1.0, 5), rates=Rates(baro_hz=30.0))
    with pytest.raises(ValueError, match=r"baro: a rate of 30 Hz does not divide 100 steps a second"):
        next(simulate(scenario))


@pytest.mark.long
def test_the_long_flight_begins_at_once_and_circles_within_minutes() -> None:
    # The samples are made while they are read: an hour's flight must not be flown to see its beginning.
    assert len(list(itertools.islice(simulate(long_flight(36_000.0, 1)), 10))) == 10
    turning = [s.z_radps for s in simulate(long_flight(240.0, 1)) if isinstance(s, ImuGyro) and s.t_s > 60.0]
    # A circle of 25 s at 38 degrees of bank has a yaw rate of 11 deg/s: 2 pi / 25 s times cos(bank).
    assert 0.2 < np.mean(np.abs(turning) > math.radians(7)) < 0.9


def test_the_bundled_recording_is_small_and_complete() -> None:
    assert BUNDLED.stat().st_size <= 3_000_000
    recording = Recording(BUNDLED)
    assert recording.info.origin == "simulated"
    assert recording.info.glider_toml is not None
    assert 'name = "Quendel 2"' in recording.info.glider_toml
    assert recording.info.config_toml
    assert recording.info.sensors.keys() == sensors_of(demo_flight()).keys()
    assert {type(sample) for sample in bundled()} >= {
        CHANNELS[name].sample for name in recording.info.sensors
    }
    assert recording.rejected() == 0
    assert 660 < bundled()[-1].t_s < 900


def test_the_bundled_recording_is_what_the_simulator_makes() -> None:
    # Other processors round the last bit otherwise, so that a value may lie one step of its sensor apart.
    for ours, kept in zip(simulate(replace(demo_flight(), longest_s=60.0)), bundled(), strict=False):
        if ours.t_s >= 59.0:
            break
        assert type(ours) is type(kept)
        for name in (field.name for field in fields(ours)):
            value, expected = getattr(ours, name), getattr(kept, name)
            step = STEPS.get(name.rpartition("_")[2], 0.0)
            assert value == expected or abs(value - expected) <= 1.1 * step, (ours, kept)
    assert ours.t_s >= 59.0


def test_the_demo_flight_is_a_flight(truth: dict[str, np.ndarray]) -> None:
    height = truth["truth_altitude_m"] - truth["truth_altitude_m"][0]
    assert truth["truth_tas_mps"][0] < 5.0  # standing in the wind
    assert height[-1] == pytest.approx(0.0, abs=0.2)
    assert 550 < height.max() < 750
    assert np.abs(np.diff(height)).max() / 0.2 < 14.0  # nothing jumps; the fastest is the pull-up
    assert np.abs(truth["truth_bank_rad"]).max() < math.radians(50)
    flying = height > 20.0
    # The stall speed of the settings, 68 km/h, with a margin; rough air limit 175 km/h.
    assert truth["truth_tas_mps"][flying].min() > 75 / 3.6
    assert truth["truth_tas_mps"].max() < 170 / 3.6


def test_the_demo_flight_climbs_in_two_thermals_one_each_way_round(truth: dict[str, np.ndarray]) -> None:
    heading = np.unwrap(truth["truth_heading_rad"])
    rate = np.gradient(heading, truth["t_s"])
    smooth = np.convolve(rate, np.ones(75) / 75, mode="same")  # 15 s
    height = truth["truth_altitude_m"]
    for sign in (1.0, -1.0):
        circling = np.flatnonzero(sign * smooth > math.radians(9))
        turns = abs(heading[circling[-1]] - heading[circling[0]]) / math.tau
        seconds = truth["t_s"][circling[-1]] - truth["t_s"][circling[0]]
        assert turns > 3.5
        # "Each circle takes about 25 s", common practice; recentring included.
        assert 18 < seconds / turns < 30
        assert 110 < height[circling[-1]] - height[circling[0]] < 300
        # One handful of seconds with the wings nearly level between the turns: the circle is shifted.
        bank = np.abs(truth["truth_bank_rad"][circling[0] + 40 : circling[-1] - 40])
        level_s = np.count_nonzero(bank < math.radians(15)) * 0.2
        assert 1.5 < level_s < 6.0


def test_truth_of_the_vario_adds_up_to_the_energy_gained(truth: dict[str, np.ndarray]) -> None:
    # h + V²/2g over the whole flight; horizontal gusts and the growth of the wind with height average out.
    energy = truth["truth_altitude_m"] + truth["truth_tas_mps"] ** 2 / (2 * 9.80665)
    raw = np.trapezoid(truth["truth_energy_rate_mps"], truth["t_s"])
    assert raw == pytest.approx(energy[-1] - energy[0], abs=15.0)
    climb = (truth["t_s"] > 330.0) & (truth["t_s"] < 415.0)
    gained = np.trapezoid(truth["truth_vario_mps"][climb], truth["t_s"][climb])
    assert gained == pytest.approx(np.ptp(energy[climb][[0, -1]]), abs=8.0)


def test_gnss_track_agrees_with_its_own_velocity() -> None:
    places = [s for s in bundled() if isinstance(s, GnssPos) and s.t_s > 40.0]
    velocities = [s for s in bundled() if isinstance(s, GnssVel) and s.t_s > 40.0]
    flown_north = (places[-1].lat_deg - places[0].lat_deg) * 111_229.0  # one degree at 50° north, WGS 84
    span_s = places[-1].t_s - places[0].t_s
    assert np.mean([v.north_mps for v in velocities]) * span_s == pytest.approx(flown_north, abs=40.0)
