"""The catalogue of outputs, and rows, events, columns, angles and track made from it."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import circmean

from drivers.samples import Reference
from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from tests.support.csv_tables import csv_rows
from tests.support.page_flights import demo
from tests.support.setups import setup
from vario.app.outputs.angles import difference_rad, differences_rad, mean_direction_rad, mean_of_sums_rad
from vario.app.outputs.catalogue import OUTPUTS, THEMES, TRACE, output_beside, output_of
from vario.app.outputs.columns import Columns
from vario.app.outputs.output import Kind
from vario.app.outputs.sampler import Sampler
from vario.app.outputs.summary import FlightSummary
from vario.app.outputs.trace import TraceWriter
from vario.app.outputs.track import track_m
from vario.app.page import build
from vario.app.page.panels import ESTIMATE, FLIGHT, panels
from vario.flight.inputs.health import HealthStage
from vario.flight.inputs.quality import Quality
from vario.flight.motion.energy import Noise
from vario.flight.motion.flying import FlyingSpeed, SpeedOrigin
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue, CueCall
from vario.settings.display import METRIC

NAMES = [output.name for output in TRACE]
angles = st.floats(-math.pi, math.pi)


def with_cue(reading: Reading, t_s: float, number: int | None, cue: Cue = Cue.SHIFT) -> Reading:
    call = None if number is None else CueCall(cue, number, is_warning=False)
    return replace(reading, t_s=t_s, tone=replace(reading.tone, cue=call))


def flying() -> Reading:
    return next(r for r in demo().readings if r.mode.value == "circling" and r.tone.level > 0.0)


def test_every_output_has_one_entry_that_explains_it() -> None:
    names = [output.name for theme in THEMES for output in theme.outputs]
    assert len(names) == len(set(names)) == len(OUTPUTS)
    for output in OUTPUTS.values():
        assert output.meaning.endswith("."), output.name
        assert "|" not in output.meaning, output.name
        assert (output.kind is Kind.EVENT) == (output.number_of is not None), output.name
        if output.name.endswith("_rad") and "sigma" not in output.name:
            assert output.is_angle, output.name


def test_values_are_of_their_kind_throughout_a_flight() -> None:
    for reading in demo().readings[::97]:
        for output in OUTPUTS.values():
            value = output.value_of(reading)
            assert value is None or isinstance(
                value, str if output.kind in (Kind.TEXT, Kind.EVENT) else float
            )
            if isinstance(value, str):
                assert value.isascii(), output.name
                assert not set(value) & set(', "\n'), output.name
            if output.kind is Kind.FLAG:
                assert value in (0.0, 1.0), output.name


def test_every_line_of_the_page_is_in_a_panel() -> None:
    keys = {panel.key for panel in (*FLIGHT, *ESTIMATE)}
    plotted = {output.page_name for output in OUTPUTS.values() if output.plot}
    assert {output.plot.panel for output in OUTPUTS.values() if output.plot} == keys
    drawn = [series[0] for part in panels(METRIC).values() for panel in part for series in panel["series"]]
    assert sorted(drawn) == sorted(plotted)


def test_every_line_of_the_page_has_a_colour_of_the_page() -> None:
    css = (Path(build.__file__).parent / "assets" / "page.css").read_text(encoding="utf-8")
    colours = set(re.findall(r"--([a-z]+): #", css))
    assert {output.plot.ink for output in OUTPUTS.values() if output.plot} <= colours


@given(st.lists(st.booleans(), min_size=1, max_size=200), st.sampled_from([0.3, 1.0, 5.0, 10.0, 50.0]))
def test_each_cue_is_in_exactly_one_row_in_order(calls: list[bool], rate_hz: float) -> None:
    """For any rate of the rows; a frame lasts 20 ms."""
    reading, number = flying(), 0
    sampler = Sampler([OUTPUTS["t_s"], OUTPUTS["cue"]], rate_hz)
    kinds, called, rows = list(Cue), [], []
    for frame, calls_now in enumerate(calls):
        if calls_now:
            number += 1
            called.append(kinds[number % len(kinds)])
        now = with_cue(reading, 0.02 * frame, number or None, kinds[number % len(kinds)])
        row = sampler.take(now)
        if row is not None:
            rows.append(row)
    rest = sampler.rest()
    rows += [] if rest is None else [rest]
    written = [word for _, cell in rows if cell is not None for word in str(cell).split("+")]
    assert written == [cue.value.replace(" ", "_") for cue in called]
    assert sampler.rest() is None


def test_the_trace_holds_what_the_ear_gets_where_it_is_and_when(tmp_path: Path) -> None:
    start = datetime(2024, 2, 29, 23, 59, 59, tzinfo=UTC)
    reading = flying()
    with TraceWriter(tmp_path / "trace.csv", 10.0, start) as trace:
        trace.take(with_cue(reading, 0.0, None))
        trace.take(with_cue(reading, 0.02, 7))
        trace.take(with_cue(reading, 0.1, 7))
        trace.take(replace(with_cue(reading, 1.25, 7), ground_velocity=None, position=None, attitude=None))
        trace.take(with_cue(reading, 1.26, 8))  # falls behind the last row: one more is written for it
    rows = csv_rows(tmp_path / "trace.csv")
    assert list(rows[0]) == NAMES
    assert [row["cue"] for row in rows] == ["", "shift", "", "shift"]
    assert [row["utc"] for row in rows] == [
        (start + timedelta(seconds=t_s)).strftime("%Y-%m-%dT%H:%M:%S") + f".{round(t_s % 1 * 1000):03}Z"
        for t_s in (0.0, 0.1, 1.25, 1.26)
    ]
    first, position, velocity = rows[0], reading.position, reading.ground_velocity
    assert position is not None
    assert velocity is not None
    assert float(first["tone_frequency_hz"]) == pytest.approx(reading.tone.pitch_hz, abs=0.05)
    assert float(first["tone_beep_rate_hz"]) == pytest.approx(reading.tone.beep_hz or 0.0, abs=0.005)
    assert float(first["latitude_deg"]) == pytest.approx(position.lat_deg, abs=1e-7)
    assert float(first["ground_speed_mps"]) == pytest.approx(
        math.dist((velocity.north_mps, velocity.east_mps), (0, 0)), abs=1e-3
    )
    unknown = ("latitude_deg", "longitude_deg", "gnss_altitude_m", "ground_speed_mps", "load_factor")
    assert all(rows[2][name] == "" for name in unknown)


def test_silence_has_no_voice_and_a_steady_tone_no_beeps() -> None:
    reading = flying()
    silent = replace(reading, tone=replace(reading.tone, level=0.0))
    steady = replace(reading, tone=replace(reading.tone, level=0.4, beep_hz=None))
    for name in ("tone_voice", "tone_frequency_hz", "tone_beep_rate_hz"):
        assert OUTPUTS[name].value_of(silent) is None
    assert OUTPUTS["tone_beep_rate_hz"].value_of(steady) == 0.0
    assert OUTPUTS["tone_level"].value_of(silent) == 0.0


def test_ground_speed_is_that_of_the_simulated_track() -> None:
    """Two independent GNSS measurements: the speed, and positions one second apart."""
    rows = Columns(TRACE, 10.0)
    for reading in demo().readings:
        rows.take(reading)
    columns = {name: np.asarray(rows.columns()[name]) for name in ("t_s", "ground_speed_mps", "mode")}
    found = rows.columns()
    north, east = track_m(np.asarray(found["latitude_deg"]), np.asarray(found["longitude_deg"]))
    ten = 100
    way_m = np.hypot(north[ten:] - north[:-ten], east[ten:] - east[:-ten])
    mean = np.convolve(np.asarray(columns["ground_speed_mps"], float), np.ones(ten) / ten, "valid")[:-1]
    straight = np.convolve(columns["mode"] != "circling", np.ones(ten), "valid")[:-1] == ten
    launched = columns["t_s"][:-ten][: mean.size] > 60.0
    chosen = straight[: way_m.size] & launched & np.isfinite(mean)
    assert chosen.sum() > 1000
    # A chord is a little shorter than its arc, and each position has its own error.
    assert np.median(np.abs(way_m[chosen] / 10.0 - mean[chosen])) < 0.3


def test_a_bounded_collector_keeps_the_whole_flight() -> None:
    reading, outputs = flying(), [OUTPUTS["t_s"], OUTPUTS["mode"]]
    rows = Columns(outputs, 10.0, most_rows=64)
    for k in range(1000):
        if rows.take(replace(reading, t_s=0.1 * k)):
            rows.note({"own": float(k)})
    found = rows.columns()
    t_s = np.asarray(found["t_s"], float)
    assert 32 <= t_s.size <= 64
    assert np.ptp(np.diff(t_s)) < 1e-6
    assert (t_s[0], t_s[-1]) == pytest.approx((0.0, 99.9), abs=2.0)
    assert np.allclose(found["own"], 10 * t_s)
    assert set(found["mode"].tolist()) == {"circling"}


@given(angles, angles)
def test_differences_of_angles_are_the_short_way_round(a: float, b: float) -> None:
    """Against the angle between two unit vectors."""
    across = np.array([math.cos(a), math.sin(a)]), np.array([math.cos(b), math.sin(b)])
    between = math.atan2(across[0][0] * across[1][1] - across[0][1] * across[1][0], across[0] @ across[1])
    for found in (difference_rad(b, a), float(differences_rad(np.array([b]), np.array([a]))[0])):
        assert abs(math.remainder(found - between, math.tau)) < 1e-9
        assert abs(found) <= math.pi


@given(st.lists(st.floats(-0.8, 0.8), min_size=1, max_size=50), angles)
def test_mean_directions_are_those_of_a_general_library(spread: list[float], about: float) -> None:
    values = np.array(spread) + about
    found = mean_direction_rad(values)
    assert found is not None
    assert abs(math.remainder(found - float(circmean(values)), math.tau)) < 1e-9


def test_headings_of_whole_turns_have_no_mean() -> None:
    turns = np.arange(0.0, 5 * math.tau, 0.1)
    assert mean_direction_rad(turns) is None
    assert mean_of_sums_rad(0.0, 0.0, 4) is None


def test_the_summary_compares_angles_the_short_way_round() -> None:
    """A heading of 359.5° against a truth of 0.5° is wrong by 1°, in each of 100 values."""
    summary, reading = FlightSummary(METRIC), flying()
    turning = replace(reading.turning, heading_rad=math.radians(359.5), from_north=True)
    for k in range(100):
        summary.take(replace(reading, t_s=float(k), turning=turning))
        summary.compare(Reference(float(k), "truth_heading_rad", math.radians(0.5)))
    found = summary.references()["truth_heading_rad"]
    assert found["rms_difference"] == pytest.approx(math.radians(1.0), abs=1e-4)
    assert found["rms_by_mode"] == {"circling": found["rms_difference"]}
    assert math.remainder(found["heading_rad_mean_circling"], math.tau) == pytest.approx(
        math.radians(-0.5), abs=1e-4
    )


def test_time_with_airbrakes_is_apart_from_free_flight() -> None:
    """Errors of 0.1 m/s, and 3 m/s with open airbrakes, which no sensor sees."""
    summary, reading = FlightSummary(METRIC), flying()
    netto_mps = 1.0
    reading = replace(reading, air=replace(reading.air, netto_mps=netto_mps))
    for k in range(100):
        summary.take(replace(reading, t_s=float(k)))
        is_open = k >= 60
        summary.compare(Reference(float(k), "truth_airbrakes", 0.7 if is_open else 0.0))
        summary.compare(Reference(float(k), "truth_netto_mps", netto_mps + (3.0 if is_open else 0.1)))
    references = summary.references()
    assert "truth_airbrakes" not in references
    found = references["truth_netto_mps"]
    assert found["rms_free_flight"] == pytest.approx(0.1)
    assert found["rms_by_mode"] == pytest.approx({"circling": 0.1, "with airbrakes": 3.0})


def test_the_page_names_the_source_of_the_altitude() -> None:
    def label(**how: bool) -> str:
        (panel,) = [part for part in panels(METRIC, **how)["flight"] if part["title"] == "Altitude"]
        return str(panel["series"][0][1])

    assert (label(), label(barometer=False)) == ("pressure altitude", "of GNSS, no barometer")


def test_the_summary_tells_what_was_not_used() -> None:
    """A vario that is missing for a minute, and the reason; not a doubt of a moment."""
    summary, reading = FlightSummary(METRIC), flying()
    for k in range(600):
        quality = Quality.BARO_DOUBTFUL if k < 300 else Quality.IMU_OFF if k < 302 else Quality.OK
        summary.take(replace(reading, t_s=0.2 * k, quality=quality))
    noise, flying_speed = Noise(baro_pa=1.5, pitot_pa=1.0), FlyingSpeed(15.0, SpeedOrigin.USUAL)
    warnings = summary.result(open_source(BUNDLED), None, noise, HealthStage(setup()), flying_speed)[
        "warnings"
    ]
    (told,) = [warning for warning in warnings if "contradicted" in warning]
    assert told == "the barometer contradicted other sensors for 60 s: no vario there"


@pytest.mark.parametrize(
    ("reference", "column"),
    [
        ("truth_altitude_m", "gnss_altitude_m"),  # true, not pressure altitude
        ("truth_vario_mps", "vario_mps"),
        ("vat_mps", "vario_mps"),  # FAI/IGC code VAT: compensated variometer
        ("var_mps", "climb_mps"),  # FAI/IGC code VAR: uncompensated variometer
        ("net_mps", "netto_mps"),
        ("truth_energy_rate_mps", None),
        ("truth_mode", None),
    ],
)
def test_like_is_compared_with_like(reference: str, column: str | None) -> None:
    found = output_beside(reference)
    assert (found.name if found else None) == column


def test_columns_of_another_program_are_numbers_or_angles() -> None:
    assert output_of("their_track_rad").is_angle
    assert not output_of("their_speed_mps").is_angle
    assert output_of("their_speed_mps").shown_in(METRIC).text == " m/s"


def test_the_track_crosses_the_date_line() -> None:
    """A degree of latitude is 60 nautical miles, a degree of longitude at 60° half as much."""
    north, east = track_m(np.array([np.nan, 60.0, 60.5]), np.array([np.nan, 179.75, -179.75]))
    assert math.isnan(north[0])
    assert (north[1], east[1]) == (0.0, 0.0)
    assert north[2] == pytest.approx(30 * 1852, rel=2e-3)
    assert east[2] == pytest.approx(15 * 1852, rel=2e-3)
