"""The content of the page of a flight, read by general tools."""

import base64
import json
import math
import re
from array import array
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.support.generated_words import generated_bank, generated_word
from tests.support.page_flights import beginning, content_of, demo, later
from vario.app.cli import main
from vario.app.page.build import page_html
from vario.app.page.pack import packed
from vario.app.page.rows import MOST_ROWS, PageRows
from vario.app.page.tones import ToneLog
from vario.flight.tone.stage import Speech, ToneCommand
from vario.settings.display import METRIC

numbers = st.one_of(st.just(math.nan), st.floats(-2000.0, 9000.0))


def unpacked(column: dict[str, Any]) -> NDArray[np.float64]:
    """Decode a column with numpy, from its description in the page."""
    kind = {"i8": "<i1", "i16": "<i2", "i32": "<i4"}[column["type"]]
    raw = np.frombuffer(base64.b64decode(column["data"]), kind)
    values = column["offset"] + column["step"] * raw.astype(float)
    return np.where(raw == np.iinfo(raw.dtype).min, np.nan, values)


@given(st.lists(numbers, max_size=50), st.sampled_from([0.01, 0.1, 1.0]))
def test_packed_columns_come_back_to_within_half_a_step(values: list[float], step: float) -> None:
    back = unpacked(packed(array("d", values), step))
    assert np.array_equal(np.isnan(back), np.isnan(values))
    assert np.allclose(back, values, rtol=0, atol=step * 0.501, equal_nan=True)


def test_a_column_is_as_narrow_as_its_range() -> None:
    assert packed(array("d", [0.0, 1.0]), 0.01)["type"] == "i8"
    assert packed(array("d", [0.0, 100.0]), 0.01)["type"] == "i16"
    assert packed(array("d", [0.0, 9000.0]), 0.01)["type"] == "i32"
    assert unpacked(packed(array("d", [1e30, 0.0]), 0.01))[0] > 1e7  # clipped, not wrapped


class Elements(HTMLParser):
    """Every element with its attributes, and the texts of the scripts."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag == "script":
            self.scripts.append("")

    def handle_data(self, data: str) -> None:
        if self.found and self.found[-1][0] == "script":
            self.scripts[-1] += data


def test_the_page_refers_to_nothing_outside_itself() -> None:
    page = Elements(page_html(content_of(demo())))
    for tag, attributes in page.found:
        assert tag not in ("iframe", "object", "embed", "img"), tag
        assert not attributes.get("src"), tag
        assert (attributes.get("href") or "data:").startswith("data:"), tag
    policies = [a["content"] for tag, a in page.found if a.get("http-equiv") == "Content-Security-Policy"]
    assert policies
    assert "default-src 'none'" in str(policies[0])
    for reach in ("fetch(", "XMLHttpRequest", "WebSocket", "import(", "@import", "sendBeacon", "EventSource"):
        assert not any(reach in script for script in page.scripts), reach


@pytest.mark.parametrize(
    "title", ["</script><script>alert(1)</script>", "<!--<script>", "/*SCRIPTS*/ /*DATA*/ &amp;"]
)
def test_a_title_stays_text_whatever_it_says(title: str) -> None:
    page = Elements(page_html(content_of(demo(), title=title)))
    assert len(page.scripts) == 2
    assert json.loads(page.scripts[0])["summary"]["title"] == title


def test_columns_are_what_the_instrument_said_in_the_units_of_the_page() -> None:
    flown = demo()
    columns = {name: unpacked(c) for name, c in content_of(flown)["rows"]["columns"].items()}
    assert len({len(column) for column in columns.values()}) == 1
    by_time = {round(reading.t_s, 2): reading for reading in flown.readings}
    compared = 0
    for row in range(0, len(columns["t_s"]), 53):
        reading = by_time[round(float(columns["t_s"][row]), 2)]
        if reading.energy.ias_mps is None or reading.attitude is None:
            continue
        compared += 1
        assert columns["ias"][row] == pytest.approx(reading.energy.ias_mps * 3.6, abs=0.051)
        assert columns["bank"][row] == pytest.approx(math.degrees(reading.attitude.bank_rad), abs=0.051)
    assert compared > 50


def test_measurements_stand_in_the_order_they_were_first_met() -> None:
    """Each output has its colour, and the same flight gives the same bytes."""
    met: dict[str, None] = {}
    for reading in demo().readings:
        met |= dict.fromkeys(reading.diagnostics.innovations)
    shown = [
        name.removesuffix("_sigmas") for name in content_of(demo())["rows"]["columns"] if "_sigmas" in name
    ]
    assert shown == [name for name in met if name in shown]
    assert len(shown) >= 4


def test_the_sound_carried_is_the_sound_commanded() -> None:
    flown = demo()
    commands = {name: unpacked(c) for name, c in content_of(flown)["tones"]["commands"].items()}
    for reading in flown.readings[::53]:
        at = int(np.searchsorted(commands["t_s"], reading.t_s + 1e-6)) - 1
        if reading.tone.level == 0.0:
            assert commands["level"][at] == 0.0
        else:
            assert commands["pitch_hz"][at] == pytest.approx(reading.tone.pitch_hz, abs=0.06)
            assert commands["beep_hz"][at] == pytest.approx(reading.tone.beep_hz or 0.0, abs=0.006)


def test_nothing_sounds_in_a_break_of_the_recording() -> None:
    log = ToneLog()
    for t_s in (0.0, 0.1, 60.0):
        log.take(t_s, ToneCommand(700.0, 2.0, 0.5))
    level = unpacked(log.result()["commands"]["level"])
    assert level == pytest.approx([0.5, 0.0, 0.5])


@pytest.mark.long
def test_rows_stay_bounded_and_keep_the_whole_flight() -> None:
    flown, rows = demo(), PageRows(10.0, METRIC)
    lap_s = flown.readings[-1].t_s + 0.1
    laps = int(2.2 * MOST_ROWS / len(flown.readings)) + 1
    for lap in range(laps):
        for reading in flown.readings:
            rows.take(later(reading, lap, lap_s))
    t_s = unpacked(rows.result()["columns"]["t_s"])
    assert MOST_ROWS / 2 <= t_s.size <= MOST_ROWS
    assert t_s[0] == pytest.approx(flown.readings[0].t_s, abs=0.006)
    assert t_s[-1] == pytest.approx(laps * lap_s, abs=2.0)
    assert np.all(np.diff(t_s) > 0.0)


def test_climbs_are_drawn_in_air_that_stands_still() -> None:
    """Without the wind, the circles of a steady climb coincide."""
    content = content_of(demo())
    for climb in content["climbs"]:
        assert climb["circles"]
        points = np.array([point for point in climb["points"] if point[3] > climb["end_s"] - 60.0])
        turn_s = (climb["end_s"] - climb["start_s"]) / climb["turns"]
        earlier = points[points[:, 3] < points[-1, 3] - turn_s]
        later_ones = points[points[:, 3] >= points[-1, 3] - turn_s]
        moved_m = np.hypot(*(later_ones[:, :2].mean(axis=0) - earlier[:, :2].mean(axis=0)))
        # The wind here drifts a glider over 100 m a turn.
        assert moved_m < 40.0


@pytest.mark.parametrize("flown_s", [20.0, pytest.param(math.inf, marks=pytest.mark.long)])
def test_report_writes_one_page(flown_s: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "new" / "page.html"
    assert main(["report", str(beginning(flown_s, tmp_path / "flight.mcap")), "--out", str(out)]) == 0
    assert [path.name for path in out.parent.iterdir()] == ["page.html"]
    assert re.search(r"page\.html .*MB", capsys.readouterr().out)
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_an_empty_recording_has_a_page_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "empty.csv"
    file.write_text("t_s,channel,v1,v2,v3\n", encoding="ascii")
    assert main(["report", str(file), "--out", str(tmp_path / "page.html")]) == 0
    assert "holds no samples" in capsys.readouterr().out


def test_words_are_in_the_page_only_if_they_are_said() -> None:
    bank = generated_bank()
    logs = [ToneLog(bank), ToneLog()]
    for log in logs:
        for k, words in enumerate((("wind", "2"), ("wind", "2"), ("wind", "xyzzy"))):
            speech = Speech(words, 1 + k // 2)
            log.take(float(k), ToneCommand(600.0, None, 0.0, speech=speech, speech_level=0.5))
    with_words, without = (log.result() for log in logs)
    assert with_words["speech"] == [(0.0, ("wind", "2"), 0.5)]
    pcm = np.frombuffer(base64.b64decode(with_words["kit"]["speech"]["words"]["wind"]), "<i2")
    assert np.max(np.abs(pcm / 32767.0 - generated_word("wind"))) < 1e-3
    assert set(with_words["kit"]["speech"]["words"]) == {"wind", "2"}
    assert without["speech"] == []
    assert without["kit"]["speech"]["words"] == {}
