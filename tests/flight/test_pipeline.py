"""The whole instrument on flights with known truth, and without some sensors.

Truth: gliders of a general flight-dynamics library (jsbsim), flown 6-DOF; see truth_dynamics.py. The
constants of the estimator were not tuned on these seeds.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from drivers.samples import (
    CHANNELS,
    Baro,
    GnssPos,
    GnssVel,
    ImuAccel,
    ImuGyro,
    LoadFactor,
    Oat,
    Pitot,
    Reference,
    Sample,
)
from tests.support.examples import drawn
from tests.support.rms import rms
from tests.support.truth_flight import SHORT_FLIGHT_S, SHORT_FLIGHT_SEED, Flight, fly
from tests.support.truth_gliders import NOISE
from vario.app.replay.player import play
from vario.flight.inputs.quality import Quality
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.glider import Glider
from vario.settings.schema import Settings

GLIDER = Glider.model_validate(
    {
        "name": "Test",
        "reference_mass": "520 kg",
        "wing_area": "17.5 m2",
        "polar": {"points": [["85 km/h", "0.72 m/s"], ["110 km/h", "0.82 m/s"], ["170 km/h", "1.95 m/s"]]},
        "limits": {
            "stall": "68 km/h",
            "manoeuvring": "175 km/h",
            "rough_air": "175 km/h",
            "never_exceed": "250 km/h",
        },
    }
)

BEGIN_S, LATER_S, SHORT_S = 80.0, 132.0, 142.0
"""The first turns in the thermal, which are sufficient to check behaviour; `LATER_S` without wind."""


@pytest.fixture(scope="module")
def thermal(truth_folder: Path) -> Flight:
    return fly("thermal", "sgs233", SHORT_FLIGHT_SEED, truth_folder, until_s=SHORT_FLIGHT_S["thermal"])


@pytest.fixture(scope="module")
def whole_thermal(truth_folder: Path) -> Flight:
    return fly("thermal", "sgs233", 3, truth_folder)


def run(samples: list[Sample], glider: Glider | None = GLIDER) -> list[Reading]:
    return list(play(samples, Pipeline(Settings(), glider, NOISE)))


def short(flight: Flight) -> list[Sample]:
    return [sample for sample in flight.samples() if BEGIN_S < sample.t_s < SHORT_S]


def without(flight: Flight, *kinds: type[Sample]) -> list[Sample]:
    return [sample for sample in short(flight) if sample.t_s < LATER_S and not isinstance(sample, kinds)]


def column(readings: list[Reading], value: Callable[[Reading], float | None]) -> NDArray[np.float64]:
    return np.array([np.nan if (v := value(r)) is None else v for r in readings])


def errors(
    readings: list[Reading], flight: Flight, name: str, value: Callable[[Reading], float | None]
) -> NDArray[np.float64]:
    """Error of a value against truth, after the first 30 s, where known."""
    t_s = column(readings, lambda r: r.t_s)
    error = column(readings, value) - np.interp(t_s, flight.truth["t_s"], flight.truth[name])
    error = error[t_s > t_s[0] + 30.0]
    return error[np.isfinite(error)]


@pytest.mark.long  # the short form is the thermal in test_estimator
@pytest.mark.parametrize("until_s", [160.0, math.inf])
def test_against_the_truth_of_a_general_flight_dynamics_library(
    whole_thermal: Flight, until_s: float
) -> None:
    """Twenty turns in a drifting, bumpy thermal; sensors with noise, bias and a mounting error of 2 deg."""
    readings = run([sample for sample in whole_thermal.samples() if sample.t_s < until_s])
    error = errors(readings, whole_thermal, "vario_mps", lambda r: r.energy.vario_mps)
    assert len(error) > min(20_000, 40 * until_s)
    assert rms(error) < 0.5
    assert abs(np.mean(error)) < 0.1
    assert rms(errors(readings, whole_thermal, "climb_mps", lambda r: r.energy.climb_mps)) < 0.2
    assert rms(errors(readings, whole_thermal, "tas_mps", lambda r: r.energy.tas_mps)) < 0.2


def test_circling_wind_of_the_truth_flight(thermal: Flight) -> None:
    readings = run(short(thermal))
    wind = readings[-1].wind
    assert wind is not None
    truth = thermal.truth[int(SHORT_S * 100)]
    assert np.hypot(wind.north_mps - truth["air_north_mps"], wind.east_mps - truth["air_east_mps"]) < 1.0
    assert readings[-1].mode.value == "circling"


def test_no_imu_is_total_energy_from_barometer_and_airspeed(thermal: Flight) -> None:
    readings = run(without(thermal, ImuAccel, ImuGyro))
    last = readings[-1]
    assert Quality.NO_IMU in last.quality
    assert Quality.UNCOMPENSATED not in last.quality
    assert last.attitude is None
    assert last.energy.compensated
    assert rms(errors(readings, thermal, "vario_mps", lambda r: r.energy.vario_mps)) < 0.8
    assert last.air.netto_mps is not None


def test_no_airspeed_is_uncompensated_and_claims_no_netto(thermal: Flight) -> None:
    readings = run(without(thermal, Pitot))
    assert all(Quality.NO_AIRSPEED in r.quality for r in readings)
    settled = [r for r in readings if r.energy.vario_mps is not None]
    assert len(settled) > 0.9 * len(readings)
    assert all(Quality.UNCOMPENSATED in r.quality for r in settled)
    assert all(r.air.netto_mps is None and r.air.relative_netto_mps is None for r in readings)
    assert all(r.energy.ias_mps is None and r.energy.tas_mps is None for r in readings)
    assert all(r.speed_to_fly_mps is None for r in readings)
    # It shows the climb rate, which is correct.
    assert rms(errors(readings, thermal, "climb_mps", lambda r: r.energy.vario_mps)) < 0.3


@pytest.mark.long
def test_no_gnss_is_no_wind_and_no_track(thermal: Flight) -> None:
    readings = run(without(thermal, GnssPos, GnssVel))
    assert all(r.wind is None and r.position is None for r in readings)
    assert all(Quality.NO_GNSS in r.quality for r in readings)
    assert readings[-1].mode.value == "circling"  # from the gyro alone


def test_no_glider_is_no_netto_and_no_speed_to_fly(thermal: Flight) -> None:
    readings = run(short(thermal)[:6_000], glider=None)
    assert all(r.air.netto_mps is None and r.speed_to_fly_mps is None for r in readings)
    assert readings[-1].energy.vario_mps is not None


def test_no_barometer_says_nothing_about_height(thermal: Flight) -> None:
    readings = run(without(thermal, Baro)[:10_000])
    assert all(r.energy.altitude_m is None and r.energy.vario_mps is None for r in readings)
    assert all(r.tone.level == 0.0 for r in readings)
    assert all(Quality.NO_BARO in r.quality for r in readings)


@pytest.mark.parametrize(
    "lost",
    [
        (Baro,),
        pytest.param((Pitot,), marks=pytest.mark.long),
        pytest.param((ImuAccel, ImuGyro), marks=pytest.mark.long),
        pytest.param((GnssPos, GnssVel), marks=pytest.mark.long),
    ],
)
def test_a_sensor_lost_midway_is_told_and_returns(thermal: Flight, lost: tuple[type[Sample], ...]) -> None:
    samples = [
        s for s in short(thermal) if not (isinstance(s, lost) and 105.0 < s.t_s < 116.0) and s.t_s < LATER_S
    ]
    readings = run(samples)
    flag = {
        Baro: Quality.NO_BARO,
        Pitot: Quality.NO_AIRSPEED,
        ImuAccel: Quality.NO_IMU,
        GnssPos: Quality.NO_GNSS,
    }[lost[0]]
    assert all(flag in r.quality for r in readings if 108.0 < r.t_s < 115.0)
    assert all(flag not in r.quality for r in readings if r.t_s > 117.0)
    vario = column([r for r in readings if r.t_s > 126.0], lambda r: r.energy.vario_mps)
    assert np.all(np.isfinite(vario))
    assert np.max(np.abs(vario)) < 10.0


def test_a_replay_is_repeatable_bit_for_bit(thermal: Flight) -> None:
    samples = short(thermal)[:4_000]
    assert run(samples) == run(samples)


# Any values of a broken sensor, at any time and in any order.
_KINDS = (Baro, Pitot, ImuAccel, ImuGyro, GnssPos, GnssVel, Oat, LoadFactor)
_VALUES = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(-20.0, 20.0),
    st.sampled_from([90_000.0, 101_325.0, 400.0, 288.0]),
)
_SAMPLES = st.lists(
    st.one_of(
        [
            st.builds(
                kind,
                st.floats(0.0, 300.0),
                *[_VALUES] * len(next(c for c in CHANNELS.values() if c.sample is kind).value_fields),
            )
            for kind in _KINDS
        ]
    ),
    max_size=120,
)


@settings(max_examples=drawn(200))
@given(_SAMPLES, st.booleans())
def test_no_input_makes_it_fail_or_show_nonsense(samples: list[Sample], in_order: bool) -> None:
    if in_order:
        samples = sorted(samples, key=lambda sample: sample.t_s)
    for reading in run(samples):
        shown = [
            reading.energy.altitude_m,
            reading.energy.vario_mps,
            reading.energy.ias_mps,
            reading.air.netto_mps,
            reading.averages.average_mps,
            reading.needle_mps,
        ]
        assert all(value is None or np.isfinite(value) for value in shown)
        if reading.speed_to_fly_mps is not None:
            assert 68 / 3.6 <= reading.speed_to_fly_mps <= 175 / 3.6
        assert 0.0 <= reading.tone.level <= 1.0


@pytest.mark.long
def test_references_change_nothing(thermal: Flight) -> None:
    samples = short(thermal)[:5_000]
    with_truth: list[Sample] = []
    for sample in samples:
        with_truth += [sample, Reference(sample.t_s, "truth_vario_mps", 99.0)]
    assert run(samples) == run(with_truth)
