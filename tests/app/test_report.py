"""The picture of a flight: its content, notes on missing data, and a greyscale print."""

import itertools
import struct
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from numpy.typing import NDArray
from PIL import Image
from scipy import stats

from tests.support.examples import drawn, short
from tests.support.luminance import relative_luminance
from vario.app.picture.data import TraceData
from vario.app.picture.sheet import REPORT_CAUTION, draw_report, write_report
from vario.app.picture.style import AMBER, INK, MODE_STYLES, PAPER, TEAL
from vario.app.picture.time_axis import set_time_axis
from vario.settings.display import Display, DisplayUnits, Measure

Trace = dict[str, NDArray[Any]]

FLOATS = [
    "altitude_m",
    "ias_mps",
    "tas_mps",
    "pitch_rad",
    "bank_rad",
    "vario_mps",
    "netto_mps",
    "relative_netto_mps",
    "average_mps",
    "turn_average_mps",
    "climb_average_mps",
    "wind_north_mps",
    "wind_east_mps",
    "speed_to_fly_mps",
    "latitude_deg",
    "longitude_deg",
]
A_DEGREE_M = 111_195.0  # on a sphere with the mean radius of the Earth, at the equator
CLIMB = {
    "start_s": 150.0,
    "end_s": 280.0,
    "gain_m": 260.0,
    "average_mps": 2.0,
    "turns": 5.2,
    "direction": "left",
}


def flight(seconds: int = 400, rate_hz: int = 10) -> Trace:
    """A fifth each of ground, launch, cruise, circling and approach; everything known, nothing realistic."""
    n = seconds * rate_hz
    t_s = np.arange(n) / rate_hz
    slow = np.sin(t_s / 30)
    trace: Trace = dict.fromkeys(FLOATS, 1.0 + slow)
    trace["t_s"] = t_s
    trace["mode"] = np.repeat(["ground", "launch", "cruise", "circling", "approach"], -(-n // 5))[:n]
    trace["quality"] = np.full(n, "ok")
    trace["altitude_m"] = 500 + t_s
    trace["ias_mps"] = 25 + 5 * slow
    trace["wind_east_mps"] = np.full(n, 4.0)
    trace["wind_north_mps"] = np.full(n, -3.0)
    trace["longitude_deg"], trace["latitude_deg"] = 9.0 + 30 * t_s / A_DEGREE_M, 20 * t_s / A_DEGREE_M
    return trace


def without(trace: Trace, *names: str) -> Trace:
    return {name: np.full(values.size, np.nan) if name in names else values for name, values in trace.items()}


def texts(figure: Figure) -> str:
    return "\n".join(text.get_text() for text in figure.findobj(Text))


def panel(figure: Figure, heading: str) -> Axes:
    (found,) = [axes for axes in figure.axes if axes.get_title(loc="left").startswith(heading)]
    return found


def png_size(path: Path) -> tuple[int, int]:
    """Width and height, after signature and IHDR as the W3C PNG specification has them (5.2, 11.2.2)."""
    data = path.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert data[12:16] == b"IHDR"
    width, height = struct.unpack(">II", data[16:24])
    return width, height


def contrast(a: str, b: str) -> float:
    """Contrast ratio of WCAG 2.1: (lighter + 0.05) / (darker + 0.05)."""
    darker, lighter = sorted((relative_luminance(a), relative_luminance(b)))
    return (lighter + 0.05) / (darker + 0.05)


def test_the_page_is_a_png_of_print_size(tmp_path: Path) -> None:
    path = tmp_path / "report.png"
    write_report(path, flight(), [CLIMB], "A flight", ["Wind is known from the first circle on."])
    width, height = png_size(path)
    assert width >= 1600
    assert height >= 1000
    with Image.open(path) as image:
        image.load()
        assert image.size == (width, height)


def test_the_page_says_title_cautions_and_notes() -> None:
    note = "12 rows rejected: no number"
    said = texts(draw_report(flight(), [CLIMB], "Spring, $day 1$", [note]))
    assert "Spring, $day 1$" in said
    assert REPORT_CAUTION in said
    assert note in said


def test_the_marks_of_the_pilot_are_in_every_panel_over_time_and_named_in_one() -> None:
    marks = [
        {"t_s": 100.0, "text": "strong $here$"},
        {"t_s": 101.0, "text": "no room beside the first"},
        {"t_s": 390.0, "text": "x" * 200},
        {"t_s": 9000.0, "text": "after the end"},
    ]
    figure = draw_report(flight(), [CLIMB], "A flight", marks=marks)
    for heading in ("Pressure altitude", "Vario", "Indicated airspeed"):
        lines = [line.get_xdata() for line in panel(figure, heading).lines]
        at = {float(x[0]) for x in lines if len(x) == 2 and x[0] == x[1]}
        assert at >= {100.0, 101.0, 390.0}
        assert 9000.0 not in at
    said = texts(figure)
    assert said.count("strong $here$") == 1
    assert "x" * 39 + "…" in said
    assert "no room" not in said
    assert "after the end" not in said


def test_relative_luminance_agrees_with_published_values() -> None:
    # ITU-R BT.709 luminance of the primaries; contrast of black on white and of the grey #767676, the
    # lightest that reaches 4.5:1 on white, from the WCAG documents (from memory).
    assert relative_luminance("#ff0000") == pytest.approx(0.2126)
    assert relative_luminance("#00ff00") == pytest.approx(0.7152)
    assert relative_luminance("#0000ff") == pytest.approx(0.0722)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(MODE_STYLES, 2)))
def test_modes_differ_in_lightness(one: str, other: str) -> None:
    # Half as much again in contrast ratio; a difference of tone visible on a grey print (no source).
    assert contrast(MODE_STYLES[one].fill, MODE_STYLES[other].fill) >= 1.5


@pytest.mark.parametrize("line", [INK, TEAL, AMBER])
def test_lines_stand_out_from_paper_and_from_each_other(line: str) -> None:
    # WCAG 2.1, success criterion 1.4.11: graphical objects at 3:1 or more.
    assert contrast(line, PAPER) >= 3.0
    assert line == INK or contrast(line, INK) >= 3.0


@pytest.mark.long
def test_the_grey_print_shows_five_tones(tmp_path: Path) -> None:
    path = tmp_path / "report.png"
    write_report(path, flight(), [], "Grey")
    with Image.open(path) as image:
        tones = np.bincount(np.asarray(image.convert("L")).ravel(), minlength=256)
        colours = np.asarray(image.convert("RGB")).reshape(-1, 3)
    greys = []
    for style in MODE_STYLES.values():
        rgb = tuple(int(style.fill[k : k + 2], 16) for k in (1, 3, 5))
        assert np.count_nonzero((colours == rgb).all(axis=1)) > 2000, style
        greys.append(Image.new("RGB", (1, 1), rgb).convert("L").getpixel((0, 0)))
    assert all(tones[grey] > 2000 for grey in greys)
    assert np.min(np.diff(sorted(greys))) >= 25  # of 255


def test_airspeed_is_shown_in_kilometres_an_hour() -> None:
    trace = flight(40)
    (flown,) = [
        x for x in panel(draw_report(trace, [], ""), "Indicated airspeed").lines if x.get_label() == "flown"
    ]
    np.testing.assert_allclose(flown.get_ydata(), trace["ias_mps"] * 3.6)


def test_wind_is_named_by_where_it_comes_from() -> None:
    # Air that moves 4 m/s east and 3 m/s south comes from 360 - 53.13 = 306.87 degrees, 5 m/s (3-4-5).
    assert "from 307°, 18 km/h" in texts(draw_report(flight(), [], ""))


def test_the_picture_is_in_the_units_of_the_settings() -> None:
    """ICAO Annex 5: 1 kt = 0.514444 m/s, 1 ft = 0.3048 m, 1 NM = 1852 m; 250 m are 820 ft, 5 m/s 10 kt."""
    trace = flight(600, 1)
    figure = draw_report(trace, [CLIMB], "", units=DisplayUnits(Display(units="knots_and_feet")))
    said = texts(figure)
    for words in ("Pressure altitude, ft", "Vario and netto, kt", "Indicated airspeed, kt", "Track, NM"):
        assert words in said
    assert "from 307°, 10 kt" in said
    assert f"{CLIMB['gain_m'] / 0.3048:+.0f} ft" in said
    assert " m/s" not in said
    assert "km" not in said
    (flown,) = [x for x in panel(figure, "Indicated airspeed").lines if x.get_label() == "flown"]
    np.testing.assert_allclose(flown.get_ydata(), trace["ias_mps"] / 0.514444, rtol=1e-5)


def test_wind_arrow_points_downwind() -> None:
    (arrow,) = [t for t in panel(draw_report(flight(), [], ""), "Track").texts if hasattr(t, "arrow_patch")]
    tail, tip = np.array(arrow.get_position()), np.array(arrow.xy)  # type: ignore[attr-defined]
    east, north = tip - tail
    assert (np.sign(east), np.sign(north)) == (1, -1)


def test_climbs_are_numbered_and_listed() -> None:
    climbs = [CLIMB, CLIMB | {"start_s": 300.0, "end_s": 390.0, "gain_m": -5.0, "direction": "both"}]
    figure = draw_report(flight(), climbs, "")
    for heading in ("Pressure altitude", "Track", "Climbs"):
        numbers = [t.get_text() for t in panel(figure, heading).texts if t.get_text() in ("1", "2")]
        assert numbers == ["1", "2"], heading
    said = texts(figure)
    assert "2 climbs gaining 255 m" in said
    assert "+260 m" in said
    assert "5 L R" in said


def test_many_climbs_list_those_that_gained_most() -> None:
    climbs = [CLIMB | {"start_s": 8.0 * k, "end_s": 8.0 * k + 6, "gain_m": float(k)} for k in range(40)]
    figure = draw_report(flight(), climbs, "")
    listed = [t.get_text() for t in panel(figure, "The").texts]
    assert "of 40 climbs" in texts(figure)
    assert "+39 m" in listed
    assert "+2 m" not in listed


@pytest.mark.parametrize(
    ("missing", "says"),
    short(
        1,
        [
            (["altitude_m"], "no altitude in this recording"),
            (["vario_mps", "netto_mps"], "no vario in this recording"),
            (["netto_mps"], "no netto in this recording"),
            (["ias_mps", "speed_to_fly_mps"], "no airspeed in this recording"),
            (["ias_mps"], "no airspeed in this recording"),
            (["speed_to_fly_mps"], "no speed to fly in this recording"),
            (["latitude_deg"], "no position in this recording"),
            (["wind_north_mps", "wind_east_mps"], "no wind"),
        ],
    ),
)
def test_what_is_missing_is_said(missing: list[str], says: str) -> None:
    assert says in texts(draw_report(without(flight(), *missing), [CLIMB], ""))
    assert says not in texts(draw_report(flight(), [CLIMB], ""))
    absent = {name: values for name, values in flight().items() if name not in missing}
    assert says in texts(draw_report(absent, [CLIMB], ""))


def test_a_vario_without_airspeed_is_marked_in_its_panel() -> None:
    trace = flight()
    trace["quality"] = np.where(trace["t_s"] < 100, "no_airspeed+uncompensated", "ok")
    said = texts(draw_report(trace, [], ""))
    assert "uncompensated 25 % of the time" in said
    assert "ok 75 %; no airspeed 25 %; uncompensated 25 %" in said


@pytest.mark.long
@settings(max_examples=drawn(12), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from([0, 1, 2, 50]), st.sets(st.sampled_from(FLOATS)), st.sets(st.sampled_from(FLOATS)))
def test_no_gap_in_the_data_stops_the_picture(
    tmp_path: Path, n: int, empty: set[str], absent: set[str]
) -> None:
    trace = {name: values[:n] for name, values in without(flight(), *empty).items() if name not in absent}
    path = tmp_path / "report.png"
    write_report(path, trace, [CLIMB], "Gaps")
    png_size(path)


def test_a_trace_without_any_column_gives_a_page(tmp_path: Path) -> None:
    path = tmp_path / "report.png"
    write_report(path, {}, [], "Nothing")
    png_size(path)
    assert "an empty recording" in texts(draw_report({}, [], ""))


def test_a_title_the_font_cannot_write_does_not_stop_the_page(tmp_path: Path) -> None:
    write_report(tmp_path / "report.png", flight(10), [], "飛行 一")
    png_size(tmp_path / "report.png")


def test_climbs_with_unknown_figures_are_shown_with_dashes() -> None:
    climb = CLIMB | {"gain_m": None, "average_mps": None, "turns": float("nan"), "direction": "left"}
    listed = [t.get_text() for t in panel(draw_report(flight(), [climb], ""), "Climbs").texts]
    assert listed[-3:] == ["–", "–", "– L"]


def test_a_page_that_cannot_be_written_is_an_oserror(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="missing"):
        write_report(tmp_path / "missing" / "report.png", flight(10), [], "")


@given(st.integers(0, 2**32 - 1), st.integers(701, 5000), st.floats(0.0, 1.0))
@settings(max_examples=drawn(30))
def test_thinning_keeps_means_and_extremes(seed: int, n: int, unknown: float) -> None:
    random = np.random.default_rng(seed)
    t_s = np.sort(random.uniform(0.0, 1000.0, n))
    values = np.where(random.random(n) < unknown, np.nan, random.normal(size=n))
    line = TraceData({"t_s": t_s, "vario_mps": values}, []).line("vario_mps", Measure.VERTICAL_SPEED)
    known = np.isfinite(values)
    assert line.empty == (not known.any())
    if line.empty:
        return
    assert np.nanmin(line.low) == np.nanmin(values)
    assert np.nanmax(line.high) == np.nanmax(values)
    bins = np.linspace(t_s[0], t_s[-1], 701)
    expected = stats.binned_statistic(t_s[known], values[known], "mean", bins).statistic
    np.testing.assert_allclose(
        np.sort(line.mean[np.isfinite(line.mean)]), np.sort(expected[np.isfinite(expected)]), atol=1e-9
    )


@pytest.mark.parametrize("rate_hz", [1, 10])
def test_a_gap_in_the_recording_is_not_bridged(rate_hz: int) -> None:
    whole = flight(1000, rate_hz)
    kept = (whole["t_s"] < 300) | (whole["t_s"] > 500)
    trace = {name: values[kept] for name, values in whole.items()}
    line = TraceData(trace, []).line("altitude_m", Measure.HEIGHT)
    steps_s = np.diff(line.t_s[np.isfinite(line.mean)])
    (jump,) = np.flatnonzero(steps_s > 100)
    assert np.isnan(line.mean[jump + 1])
    t_s, _, _ = TraceData(trace, []).track_km()
    assert np.count_nonzero(np.isnan(t_s)) == 1


def time_axis(t_s: Sequence[float], start_utc: datetime | None) -> tuple[str, list[str]]:
    """Label and texts of the ticks inside the axis."""
    axes = Figure().add_subplot()
    set_time_axis(axes, TraceData({"t_s": np.array(t_s)}, [], start_utc))
    low, high = axes.get_xlim()
    show = axes.xaxis.get_major_formatter()
    return axes.get_xlabel(), [show(t, None) for t in axes.get_xticks() if low <= t <= high]


def test_times_count_from_the_beginning_where_utc_is_not_known() -> None:
    label, ticks = time_axis([1000.0, 1100.0], None)
    assert (label, ticks[:2]) == ("time since the beginning, seconds", ["0", "10"])
    label, ticks = time_axis([1000.0, 4600.0], None)
    assert (label, ticks[:2]) == ("time since the beginning, minutes", ["0", "5"])
    label, ticks = time_axis([1000.0, 1000.0 + 4 * 3600.0], None)
    assert (label, ticks[:2]) == ("time since the beginning, h:mm", ["0:00", "0:30"])


def test_times_are_utc_where_it_is_known() -> None:
    """A FAI/IGC file counts from midnight, a live recording from its start: both show the time of day."""
    midnight = datetime(2017, 7, 15, tzinfo=UTC)
    label, ticks = time_axis([31_076.0, 53_612.0], midnight)  # 08:37:56 to 14:53:32
    assert (label, ticks[0], ticks[-1]) == ("UTC", "9:00", "14:30")
    label, ticks = time_axis([1.0, 61.0], datetime(2026, 5, 1, 23, 59, 29, tzinfo=UTC))
    assert (label, ticks[0], ticks[-1]) == ("UTC", "23:59:30", "0:00:30")


@pytest.mark.long
def test_a_six_hour_flight_is_drawn_in_seconds(tmp_path: Path) -> None:
    trace = flight(6 * 3600, 10)
    start_s = time.process_time()
    write_report(tmp_path / "report.png", trace, [CLIMB], "Long")
    assert time.process_time() - start_s < 5.0
