"""The picture of a flight: its content, and notes on missing data."""

from __future__ import annotations

import struct
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from tests.support.examples import drawn, short
from tests.support.report_trace import CLIMB, FLOATS, flight, without
from vario.app.caution import REPORT_CAUTION
from vario.app.picture.sheet import draw_report, write_report
from vario.settings.display import Display, DisplayUnits


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
def test_missing_columns_are_named(missing: list[str], says: str) -> None:
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


@pytest.mark.long
def test_a_six_hour_flight_is_drawn_in_seconds(tmp_path: Path) -> None:
    trace = flight(6 * 3600, 10)
    start_s = time.process_time()
    write_report(tmp_path / "report.png", trace, [CLIMB], "Long")
    assert time.process_time() - start_s < 5.0
