"""Content of files of real recorders that the summary must report: several flights, wind, offsets, noise."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from drivers import isa
from drivers.samples import Baro, GnssVel, Pitot, Reference, Sample
from hw_replay.igc import IgcFile
from tests.support.igc_lines import igc, placed
from vario.app.errors import AppError
from vario.app.excerpt import excerpt, time_s
from vario.app.outputs.flight_time import hours_utc
from vario.app.outputs.flights import Flights
from vario.app.outputs.ground_watch import GroundWatch
from vario.app.outputs.sensor_watch import PressureCheck
from vario.app.replay.console import print_replay
from vario.app.replay.session import ReplaySession
from vario.flight.motion.energy import Noise
from vario.flight.motion.flying import FlyingSpeed, SpeedOrigin
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading
from vario.settings.display import METRIC
from vario.settings.schema import Settings


def test_wind_of_the_recorder_is_a_reference(tmp_path: Path) -> None:
    """WDI: where the wind comes from, degrees; with a speed in km/h, 36 km/h from the west blow to the east.

    Source of the code: FAI/IGC "Technical Specification for IGC-approved GNSS Flight Recorders", A7 (WDI; WSP
    from memory of it).
    """
    lines = ["I023638WDI3941WSP", *(f"{placed(36_000 + k, 30.0 * k, 0.0, 1000.0)}270036" for k in range(20))]
    found = [s for s in igc(tmp_path / "a.igc", lines) if isinstance(s, Reference)]
    values = {s.name: s.value for s in found}
    assert values["wdi_from_rad"] == pytest.approx(math.radians(270.0))
    assert values["wdi_north_mps"] == pytest.approx(0.0, abs=1e-9)
    assert values["wdi_east_mps"] == pytest.approx(10.0)


def test_a_second_date_is_told(tmp_path: Path) -> None:
    lines = [placed(36_000 + k, 30.0 * k, 0.0, 1000.0) for k in range(20)]
    source = igc(tmp_path / "a.igc", [*lines, "HFDTE020726", *lines[:1]])
    assert any("more than one date" in note for note in source.warnings())


def test_a_flight_of_the_next_day_at_an_earlier_time_is_read(tmp_path: Path) -> None:
    """From 10:00 for 20 s, on the next day from 9:59:40, by the date record alone."""
    days = [[placed(begin_s + k, 30.0 * k, 0.0, 1000.0) for k in range(20)] for begin_s in (36_000, 35_980)]
    source = igc(tmp_path / "a.igc", ["HFDTE010726", *days[0], "HFDTE020726", *days[1]])
    times_s = [sample.t_s for sample in source if isinstance(sample, Baro)]
    assert times_s == [*range(36_000, 36_020), *range(86_400 + 35_980, 86_400 + 36_000)]
    without = igc(tmp_path / "b.igc", ["HFDTE010726", *days[0], *days[1]])
    assert len([sample for sample in without if isinstance(sample, Baro)]) == 20


@pytest.fixture(scope="module")
def any_reading(tmp_path_factory: pytest.TempPathFactory) -> Reading:
    lines = [placed(36_000 + k, 30.0 * k, 0.0, 1000.0) for k in range(5)]
    return list(ReplaySession(igc(tmp_path_factory.mktemp("igc") / "a.igc", lines), Settings(), None))[-1]


def followed(flights: Flights, any_reading: Reading, modes: list[tuple[Mode, int]], end_s: int) -> None:
    """A reading a second, in the mode that began last."""
    for (mode, from_s), (_, to_s) in pairwise([*modes, (Mode.GROUND, end_s)]):
        for t_s in range(from_s, to_s):
            reading = replace(any_reading, mode=mode, t_s=float(t_s))
            flights.take(reading, 1.0)
            flights.compare("truth_vario_mps", 0.25 * (mode is Mode.CIRCLING), reading)


def test_two_flights_are_told_apart(any_reading: Reading) -> None:
    flights = Flights()
    modes = [
        (Mode.GROUND, 0),
        (Mode.LAUNCH, 100),
        (Mode.CRUISE, 300),
        (Mode.GROUND, 2000),
        (Mode.CRUISE, 2050),  # rolled on: the same flight
        (Mode.GROUND, 2100),
        (Mode.LAUNCH, 5000),
        (Mode.GROUND, 5030),  # a start that was broken off
        (Mode.LAUNCH, 6000),
        (Mode.CIRCLING, 6300),
    ]
    followed(flights, any_reading, modes, 9001)
    first, second = flights.all()
    assert (first.begin_s, first.end_s, first.takeoff_s, first.landing_s) == (100.0, 2100.0, 100.0, 2100.0)
    assert (second.begin_s, second.end_s, second.landing_s) == (6000.0, 9000.0, None)
    assert first.mode_s == {"launch": 200.0, "cruise": 1750.0, "ground": 50.0}
    assert second.mode_s == {"launch": 300.0, "circling": 2701.0}
    assert first.references()["truth_vario_mps"]["values"] == 2000
    assert second.references()["truth_vario_mps"]["values"] == 3001
    (said,) = flights.warnings(None)
    assert "2 flights (1:40 to 35:00, 1:40:00 to 2:30:00)" in said


def test_a_mode_against_height_or_track_is_told(any_reading: Reading) -> None:
    """Parked with an airspeed that cannot be; and moving at 25 m/s with none."""
    usual = FlyingSpeed(15.0, SpeedOrigin.USUAL)
    parked, blocked = GroundWatch(METRIC), GroundWatch(METRIC)
    slow = replace(any_reading, ground_velocity=GnssVel(0.0, 0.2, 0.0, None))
    fast = replace(any_reading, mode=Mode.GROUND, ground_velocity=GnssVel(0.0, 25.0, 0.0, None))
    for t_s in range(900):
        parked.take(replace(slow, mode=Mode.CRUISE, t_s=float(t_s)), 1.0)
        blocked.take(replace(fast, t_s=float(t_s)), 1.0)
    assert "neither place nor height changes in 15 min that count as flown" in parked.warnings(usual)[0]
    assert "15 min of moving over ground at up to 90 km/h" in blocked.warnings(usual)[0]


def test_a_part_of_a_recording_is_played(tmp_path: Path) -> None:
    lines = [placed(36_000 + k, 30.0 * k, 0.0, 1000.0) for k in range(600)]
    source: IgcFile = igc(tmp_path / "a.igc", lines)
    times = [s.t_s for s in excerpt(source, "10:02", "10:05:00")]
    assert 36_120.0 <= times[0] < 36_122.0
    assert 36_298.0 < times[-1] <= 36_300.0
    assert [s.t_s for s in excerpt(source, "36120", "36300")] == times
    with pytest.raises(AppError, match="expected a time"):
        excerpt(source, "noon", None)
    assert time_s("--from", "34:02:30", source.info.start_utc) == 86_400.0 + 36_150.0  # of the next day
    assert hours_utc(86_400.0 + 36_150.0, source.info.start_utc) == "34:02:30"
    with pytest.raises(AppError, match="before the second"):
        excerpt(source, "10:05", "10:02")
    with pytest.raises(AppError, match=r"--from 11:00: no samples .* from 10:00:00 to 10:09"):
        list(excerpt(source, "11:00", None))


def at_rest(pitot_pa: float, gusty_pa: float, baro_pa: float, speed_mps: float = 0.0) -> Iterator[Sample]:
    """A minute and a half at 20 Hz."""
    rng = np.random.default_rng(41)
    for k in range(90 * 20):
        t_s = k / 20.0
        yield GnssVel(t_s, speed_mps, 0.0, 0.0)
        yield Baro(t_s, 95_000.0 + float(rng.normal(0.0, baro_pa)))
        gust_pa = gusty_pa * math.sin(t_s)
        yield Pitot(t_s, pitot_pa + gust_pa + float(rng.normal(0.0, 1.0)))


@pytest.mark.parametrize(
    ("samples", "zero_pa", "told"),
    [
        (at_rest(6.0, 0.0, 1.5), 0.0, 'set offset = "6.0 Pa"'),
        (at_rest(6.0, 0.0, 1.5), 6.0, None),
        (at_rest(1.0, 0.0, 1.5), 0.0, None),
        (at_rest(15.0, 10.0, 1.5), 0.0, None),  # wind
        (at_rest(6.0, 0.0, 1.5, speed_mps=3.0), 0.0, None),  # towed along the field
        (at_rest(0.0, 0.0, 9.0), 0.0, 'set noise = "9'),
        (at_rest(0.0, 0.0, 0.3), 0.0, 'set noise = "0.3'),
        (at_rest(0.0, 0.0, 0.001), 0.0, "look for the cause"),  # below the range of the setting
    ],
)
def test_offset_and_noise_of_the_pressures(
    samples: Iterator[Sample], zero_pa: float, told: str | None
) -> None:
    watch = PressureCheck(Noise(baro_pa=1.5, pitot_pa=1.0), zero_pa)
    for sample in samples:
        watch.take(sample)
    found = watch.warnings()
    assert (told is None and not found) or (told is not None and len(found) == 1 and told in found[0])


def test_the_noise_of_a_flight_a_second_is_not_judged() -> None:
    """At this spacing, climbs and sinks would look like noise."""
    watch = PressureCheck(Noise(baro_pa=1.5, pitot_pa=1.0), 0.0)
    for second in range(3000):
        watch.take(Baro(float(second), isa.pressure_pa(1000.0 + 30.0 * math.sin(second / 5.0))))
    assert watch.warnings() == []


def test_a_mean_wind_direction_is_printed_from_0_to_360(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """65° left of north is 295°."""
    means = {"beside": "wind_from_rad", "mean_circling": math.radians(-65.0)}
    means["wind_from_rad_mean_circling"] = math.radians(-63.0)
    summary = {
        "title": "a flight",
        "origin": "live",
        "start_utc": None,
        "flight": {"duration_s": 60.0, "mode_s": {"circling": 60.0}},
        "climbs": [],
        "references": {"wdi_from_rad": means},
        "warnings": [],
    }
    print_replay(summary, tmp_path, METRIC)
    assert "wdi_from_rad: mean while circling 295.00, wind_from_rad 297.00°" in capsys.readouterr().out
