"""Flights below the stall speed of a sailplane, without a barometer: flight and driving are distinguished.

A foot-launched wing flies 8 to 13 m/s and sinks about 1.2 m/s; a steep road climbs 8 m in 100 m: common
practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from drivers import isa
from drivers.samples import Baro, GnssVel, Sample
from hw_replay.open import convert, open_source
from hw_replay.source import GNSS_AS_BARO, Source
from hw_replay.writer import RecordingWriter
from tests.support.examples import short
from tests.support.igc_lines import igc, placed
from tests.support.setups import setup
from vario.app.replay.flying_speed import learned_flying_mps
from vario.app.replay.session import ReplaySession
from vario.flight.motion.flying import flying_speed
from vario.flight.motion.mode import FLYING_MPS, Mode
from vario.settings.display import METRIC, Measure
from vario.settings.glider import Limits
from vario.settings.schema import Settings


def recorded(
    path: Path,
    speed_mps: float,
    sink_mps: float,
    *,
    pressure: bool,
    turn_s: float = 0.0,
    flown_s: int = 480,
    rest_s: int = 120,
) -> Source:
    """A time at rest, one of flight, one at rest, a fix a second."""
    lines, north_m, east_m, height_m, heading = [], 0.0, 0.0, 1500.0, 0.0
    for second in range(rest_s + flown_s + rest_s):
        if rest_s <= second < rest_s + flown_s:
            heading += math.tau / turn_s if turn_s else 0.0
            north_m += speed_mps * math.cos(heading)
            east_m += speed_mps * math.sin(heading)
            height_m -= sink_mps
        line = placed(36_000 + second, north_m, east_m, height_m)
        lines.append(line if pressure else f"{line[:25]}00000{line[30:]}")
    return igc(path, lines)


def flown(source: Source, settings: Settings | None = None) -> ReplaySession:
    session = ReplaySession(source, settings or Settings(), None)
    for _ in session:
        pass
    return session


@pytest.fixture(scope="module")
def slow(tmp_path_factory: pytest.TempPathFactory) -> Callable[[bool], ReplaySession]:
    """The slow flight, with a barometer or without."""

    @cache
    def of(pressure: bool) -> ReplaySession:
        path = tmp_path_factory.mktemp("slow") / "a.igc"
        return flown(recorded(path, 10.0, 1.2, pressure=pressure))

    return of


@pytest.mark.parametrize(
    "pressure", [True, pytest.param(False, marks=pytest.mark.long)], ids=["barometer", "GNSS height alone"]
)
def test_a_slow_flight_is_a_flight(slow: Callable[[bool], ReplaySession], pressure: bool) -> None:
    """Its flying speed is learned from the file, so that take-off and landing are those of the track."""
    summary = slow(pressure).summary()
    flight = summary["flight"]
    assert flight["flying_speed_from"] == "heights and speeds of the recording"
    assert flight["flying_speed_mps"] == pytest.approx(10.0 * 0.8 / 1.3, abs=0.3)
    said = f"flying above {METRIC.shown(Measure.SPEED, flight['flying_speed_mps'])}, learned"
    assert any(said in warning for warning in summary["warnings"])
    assert flight["takeoff_s"] == pytest.approx(36_120, abs=6)
    assert flight["landing_s"] == pytest.approx(36_600, abs=30)
    assert flight["mode_s"]["cruise"] > 360.0
    assert "approach" not in flight["mode_s"]  # it starts down a slope: nobody lands on the start


def test_settings_and_glider_file_come_before_what_a_file_shows(tmp_path: Path) -> None:
    settings = Settings.model_validate({"flight": {"flying_speed": "7 m/s"}})
    source = recorded(tmp_path / "a.igc", 10.0, 1.2, pressure=True, flown_s=60, rest_s=30)
    flight = flown(source, settings).summary()["flight"]
    assert (flight["flying_speed_mps"], flight["flying_speed_from"]) == (7.0, "settings")


def test_a_recording_of_this_instrument_teaches_nothing(tmp_path: Path) -> None:
    """Its replay gives what the instrument gave in flight, which did not know the rest of the flight."""
    source = recorded(tmp_path / "a.igc", 10.0, 1.2, pressure=True, flown_s=240, rest_s=60)
    with RecordingWriter(tmp_path / "live.mcap", replace(source.info, origin="live")) as writer:
        for sample in source:
            writer.write(sample)
    summary = flown(open_source(tmp_path / "live.mcap")).summary()
    assert summary["flight"]["flying_speed_from"] == "usual value"
    assert any("because of the height alone" in warning for warning in summary["warnings"])


def test_the_mean_speed_of_flight_is_found() -> None:
    """A drive and a stop beside the flight change nothing: their heights do not change as in flight."""

    def samples() -> Iterator[Sample]:
        for second in range(3000):
            flies = 1000 <= second < 2000
            speed_mps = 9.0 if flies else (20.0 if second < 1000 else 0.0)
            height_m = 2000.0 - 1.2 * min(max(second - 1000, 0), 1000)
            yield Baro(float(second), isa.pressure_pa(height_m))
            yield GnssVel(float(second), speed_mps, 0.0, None)

    assert learned_flying_mps(samples()) == pytest.approx(9.0 * 0.8 / 1.3, abs=0.2)
    level = (sample for sample in samples() if sample.t_s < 1000.0)
    assert learned_flying_mps(level) is None


@pytest.mark.parametrize(("speed_mps", "sink_mps"), short(1, [(12.0, -0.9), (12.0, 0.0), (4.0, 0.3)]))
def test_a_car_or_a_walk_is_none(tmp_path: Path, speed_mps: float, sink_mps: float) -> None:
    """A road of 7.5 % up, a level one, and somebody who carries the wing down a path."""
    summary = flown(recorded(tmp_path / "a.igc", speed_mps, sink_mps, pressure=True)).summary()
    assert summary["flight"]["mode_s"].keys() == {"ground"}
    high = abs(sink_mps) * 480 > 150.0  # enough to be doubted
    assert any("of mode ground" in warning for warning in summary["warnings"]) == high


def test_gnss_height_is_marked_where_it_stands_for_a_barometer(tmp_path: Path) -> None:
    session = flown(recorded(tmp_path / "a.igc", 10.0, 1.2, pressure=False, flown_s=60, rest_s=30))
    summary = session.summary()
    assert any("the GNSS altitude is used instead" in warning for warning in summary["warnings"])
    assert summary["flight"]["highest_m"] == pytest.approx(1500.0, abs=3.0)
    convert(session.source, tmp_path / "a.mcap")
    kept = open_source(tmp_path / "a.mcap").info.sensors["baro"]
    assert kept.name == GNSS_AS_BARO
    assert kept.noise is not None


@pytest.mark.long
def test_circling_that_sinks_is_no_climb(tmp_path: Path) -> None:
    sinking = flown(recorded(tmp_path / "a.igc", 18.0, 1.2, pressure=True, turn_s=20.0))
    assert not any("because of the height alone" in said for said in sinking.summary()["warnings"])
    assert sinking.summary()["flight"]["mode_s"]["circling"] > 300.0
    assert sinking.climbs == []
    rising = flown(recorded(tmp_path / "b.igc", 18.0, -1.2, pressure=True, turn_s=20.0))
    assert len(rising.climbs) == 1


def test_an_airspeed_that_a_parked_glider_shows_is_no_flight(tmp_path: Path) -> None:
    """57 km/h at rest: 150 Pa of zero offset. The summary offers to take them away."""
    lines = ["I013638TAS"]
    for k in range(300):
        fix = placed(36_000 + k, 0.0, 1.9 * (k % 7 == 0), 400.0)
        lines.append(f"{fix[:24]}{'V' if k < 30 else 'A'}{fix[25:]}057")  # the receiver needs half a minute
    session = ReplaySession(igc(tmp_path / "a.igc", lines), Settings(), None)
    modes = [reading.mode for reading in session]
    assert modes[-1] is Mode.GROUND
    assert Mode.CRUISE in modes[:1000]  # until it is known better
    assert any("[sensors.pitot]" in warning for warning in session.summary()["warnings"])


def test_flying_speed_follows_a_low_stall_speed() -> None:
    def flying_mps(stall_mps: float) -> float:
        others = {"manoeuvring": "45 m/s", "rough_air": "45 m/s", "never_exceed": "60 m/s"}
        limits = Limits.model_validate({"stall": f"{stall_mps} m/s", **others})
        return flying_speed(setup(limits=limits)).speed_mps

    assert flying_mps(22.0) == FLYING_MPS
    assert flying_mps(12.0) == pytest.approx(0.8 * 12.0)
