"""Calibrations from flights: airspeed from straight runs, total energy from pull-ups, polar from glides."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from drivers.samples import ImuGyro, Pitot, Sample
from hw_replay.simulate.airframe import QUENDEL_2
from hw_replay.simulate.plan import Phase, after, straight
from tests.support.bundled_flight import bundled
from tests.support.calibration_run import PULL_UPS, TRIANGLE, flown, glides
from vario.app.calibrate.glides import fit_polar
from vario.app.calibrate.legs import position_error, solve
from vario.app.calibrate.pull_up import energy_check
from vario.app.errors import AppError


def test_the_published_four_runs_give_the_published_airspeed() -> None:
    """Ground speeds 178, 185, 188, 184 kt on tracks 178°, 82°, 355°, 265°: 183.73 kt as the mean over the
    four choices of three runs, standard deviation 0.83 kt. Data of the four-leg tab of the spreadsheet of the
    National Test Pilot School for D. Gray's method, as quoted in the documentation of the aerocalc package.
    """
    speeds, tracks = [178, 185, 188, 184], [178, 82, 355, 265]
    vectors = [
        (s * math.cos(math.radians(t)), s * math.sin(math.radians(t)))
        for s, t in zip(speeds, tracks, strict=True)
    ]
    found = [
        100.0 * solve([(north, east, 100.0) for north, east in three]).factor
        for three in itertools.combinations(vectors, 3)
    ]
    assert float(np.mean(found)) == pytest.approx(183.72669557114619, abs=1e-4)
    assert float(np.std(found, ddof=1)) == pytest.approx(0.82709634705928436, abs=1e-3)


@given(
    st.floats(20.0, 60.0),
    st.tuples(st.floats(-12.0, 12.0), st.floats(-12.0, 12.0)),
    st.lists(st.floats(0.0, 2 * math.pi), min_size=3, max_size=6),
    st.floats(0.85, 1.15),
)
def test_three_or_more_runs_give_wind_and_factor_whatever_they_are(
    tas: float, wind: tuple[float, float], headings: list[float], factor: float
) -> None:
    gaps = np.diff(sorted([*headings, min(headings) + 2 * math.pi]))
    assume(float(np.max(gaps)) < math.radians(170) and float(np.sort(gaps)[-3]) > math.radians(20))
    legs = []
    for k, angle in enumerate(headings):
        true = tas + 0.7 * k  # never the same value twice
        legs.append((true * math.cos(angle) + wind[0], true * math.sin(angle) + wind[1], true / factor))
    found = solve(legs)
    assert found.factor == pytest.approx(factor, rel=1e-5)
    assert (found.north_mps, found.east_mps) == pytest.approx(wind, abs=1e-3)


def with_pitot_times(samples: Sequence[Sample], factor: float) -> Iterator[Sample]:
    for sample in samples:
        yield Pitot(sample.t_s, sample.impact_pa * factor) if isinstance(sample, Pitot) else sample


@pytest.fixture(scope="module")
def triangle() -> list[Sample]:
    return flown(TRIANGLE, 110, 135.0)


@pytest.mark.parametrize("pitot_factor", [1.0, 0.9, 1.1])
def test_runs_in_a_recording_show_an_airspeed_that_reads_wrong(
    triangle: list[Sample], pitot_factor: float
) -> None:
    found = position_error(with_pitot_times(triangle, pitot_factor)).figures
    # Speed goes with the root of the pressure; an error of 1 % is 1 km/h here.
    assert found["airspeed"]["factor"] == pytest.approx(1.0 / math.sqrt(pitot_factor), abs=0.01)
    assert "run_3" in found


def test_two_runs_are_too_few(triangle: list[Sample]) -> None:
    with pytest.raises(AppError, match="three or more"):
        position_error([s for s in triangle if s.t_s < 85.0])


@pytest.fixture(scope="module")
def pull_ups() -> list[Sample]:
    return flown(PULL_UPS, 110, 220.0)


@pytest.mark.parametrize("pitot_factor", [1.0, 0.85, 1.15])
def test_pull_ups_show_how_well_the_airspeed_compensates(pull_ups: list[Sample], pitot_factor: float) -> None:
    outcome = energy_check(with_pitot_times(pull_ups, pitot_factor))
    found = outcome.figures["energy"]
    assert found["manoeuvres"] >= 5
    assert found["factor"] == pytest.approx(1.0 / pitot_factor, abs=max(0.04, 3 * found["factor_error"]))
    word = {1.0: "well compensated", 0.85: "Under-compensated", 1.15: "Over-compensated"}[pitot_factor]
    assert word in outcome.said[1]
    assert ("Find the cause first" in outcome.said[1]) is (pitot_factor != 1.0)
    assert bool(outcome.settings) is (pitot_factor != 1.0)


def test_a_flight_without_pull_ups_is_refused(triangle: list[Sample]) -> None:
    with pytest.raises(AppError, match="pull-ups and push-overs: found 0"):
        energy_check(triangle)


def test_a_day_with_thermals_gives_no_result_whoever_changes_the_speed() -> None:
    """The bundled flight: its pilot slows down in rising air, as pilots do."""
    with pytest.raises(AppError, match=r"air was not still.*no result is written; fly at least 3 pull-ups"):
        energy_check(bundled())


def test_changes_of_speed_in_turns_are_not_used(pull_ups: list[Sample]) -> None:
    turning = [replace(s, z_radps=0.2) if isinstance(s, ImuGyro) else s for s in pull_ups]
    with pytest.raises(
        AppError, match=r"pull-ups and push-overs: found 0, and \d+ changes of speed in turns"
    ):
        energy_check(turning)


def test_the_polar_of_the_simulated_glider_comes_out_of_its_glides_within_the_errors_stated() -> None:
    outcome = fit_polar(glides())
    found = outcome.figures["polar"]
    assert sum(name.startswith("glide_") for name in outcome.figures) >= 6
    truth = QUENDEL_2.polar
    for kmh in (90, 110, 130, 155):
        v = kmh / 3.6
        sink = (found["a"] * v + found["b"]) * v + found["c"]
        assert sink == pytest.approx(truth.sink_mps(v), abs=0.06), kmh


@pytest.mark.long
def test_a_heavier_glider_gives_the_same_polar_at_its_reference_mass() -> None:
    speeds = (90, 105, 120, 140, 160)
    plan = [Phase(str(v), v / 3.6, after(60), straight) for v in speeds]
    samples = flown(plan, 90, 300.0)
    light = fit_polar(samples, 1.0).figures["polar"]
    taken_for_heavy = fit_polar(samples, 1.44).figures["polar"]
    # At 1.44 times the mass speeds and sinks grow by 1.2 (Welch and Irving, on ballast).
    v = 110 / 3.6
    sink = (light["a"] * v + light["b"]) * v + light["c"]
    slower = v / 1.2
    heavy = (taken_for_heavy["a"] * slower + taken_for_heavy["b"]) * slower + taken_for_heavy["c"]
    assert heavy == pytest.approx(sink / 1.2, abs=0.01)


def test_a_gyro_that_recorded_only_the_beginning_does_not_prevent_a_polar() -> None:
    samples = [s for s in glides() if not isinstance(s, ImuGyro)]
    some = [ImuGyro(samples[0].t_s + k / 50.0, 0.0, 0.0, 0.0) for k in range(60)]
    assert fit_polar([*some, *samples]).figures["polar"] == fit_polar(samples).figures["polar"]


def test_glides_in_thermals_are_no_polar() -> None:
    with pytest.raises(AppError, match=r"scatter by .* the air was not still"):
        fit_polar(bundled())


def test_too_few_glides_are_refused(triangle: list[Sample]) -> None:
    with pytest.raises(AppError, match=r"expected 4 or more|the speeds of the glides differ"):
        fit_polar(triangle)
