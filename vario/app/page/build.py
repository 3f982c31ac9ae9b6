"""Build the page of a flight: collect all data in one pass, write one self-contained HTML file."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path
from typing import Any

from hw_replay.source import GNSS_AS_BARO, Source
from vario.app.caution import REPORT_CAUTION
from vario.app.files.atomic import result_file
from vario.app.hindsight.hindsight import Hindsight, Series
from vario.app.page.climb_pictures import ClimbPictures
from vario.app.page.panels import panels
from vario.app.page.rows import PageRows
from vario.app.page.tones import ToneLog
from vario.app.replay.session import ReplaySession
from vario.flight.reading import Reading
from vario.flight.thermal.climbs import Climb
from vario.settings.display import DisplayUnits, Measure
from vario.settings.glider import Glider
from vario.settings.schema import Settings
from vario.sound.word_bank import WordBank

ROWS_HZ = 10.0
_CLIMB_FIELDS = ("start_s", "end_s", "gain_m", "average_mps", "turns")

STYLES = ("vendor/uplot/uPlot.min.css", "page.css")
SCRIPTS = (
    "vendor/uplot/uPlot.iife.min.js",
    "data.js",
    "draw.js",
    "synth.js",
    "player.js",
    "plots.js",
    "map.js",
    "climbs.js",
    "notes.js",
    "main.js",
)
"""The scripts in this order in one page. The head of each file states what it defines for the following
ones.
"""


class PageContent:
    """Collects the content of the page, reading by reading.

    Args:
        units: the units of the page.
        words: recorded words at the rate of `tones`; None: the sound has no speech.
    """

    def __init__(self, units: DisplayUnits, words: WordBank | None = None) -> None:
        self._units = units
        self._rows = PageRows(ROWS_HZ, units)
        self._tones = ToneLog(words)
        self._pictures = ClimbPictures()

    def take(self, reading: Reading) -> None:
        """Add one reading."""
        self._rows.take(reading)
        self._tones.take(reading.t_s, reading.tone)
        self._pictures.take(reading)

    def result(
        self,
        summary: dict[str, Any],
        climbs: Sequence[Climb],
        hindsight: Series | None = None,
        *,
        barometer: bool = True,
    ) -> dict[str, Any]:
        """All content as the script of the page reads it, with the summary and climbs of the flight."""
        seen = hindsight is not None and hindsight.t_s.size > 1
        return {
            "summary": summary,
            "units": {
                str(measure): (unit.symbol, unit.factor, unit.decimals)
                for measure in Measure
                for unit in (self._units.of(measure),)
            },
            "rows": self._rows.result(hindsight if seen else None),
            "panels": panels(self._units, hindsight=seen, barometer=barometer),
            "tones": self._tones.result(),
            "climbs": [_climb(climb, self._pictures) for climb in climbs],
        }


def write_page(
    source: Source,
    settings: Settings,
    glider: Glider | None,
    path: Path,
    progress: Callable[[float], None] = lambda _: None,
    *,
    follow_changes: bool = True,
    words: WordBank | None = None,
) -> dict[str, Any]:
    """Play `source` and write its page to `path`; returns the summary of the flight.

    Raises:
        OutputError: if the file cannot be written.
        RecordingError: if the recording cannot be read.
    """
    hindsight = Hindsight()
    session = ReplaySession(
        source, settings, glider, follow_changes=follow_changes, progress=progress, hindsight=hindsight
    )
    content = PageContent(DisplayUnits(settings.display), words)
    for reading in session:
        content.take(reading)
    summary = session.summary()
    baro = source.info.sensors.get("baro")
    barometer = baro is None or baro.name != GNSS_AS_BARO
    html = page_html(content.result(summary, session.climbs, hindsight.series(), barometer=barometer))
    with result_file(path) as temporary:
        temporary.write_text(html, encoding="utf-8")
    return summary


def page_html(content: dict[str, Any]) -> str:
    """The HTML document with its content."""
    assets = files(__package__) / "assets"

    def read(name: str) -> str:
        return (assets / name).read_text(encoding="utf-8")

    # Inside a script element, only "<" can end the element or begin a comment.
    data = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":")).replace(
        "<", "\\u003c"
    )
    parts = {
        "/*STYLES*/": "\n".join(map(read, STYLES)),
        "/*SCRIPTS*/": "\n".join(map(read, SCRIPTS)),
        "/*CAUTION*/": REPORT_CAUTION,
        "/*DATA*/": data,
    }
    html = read("page.html")
    for mark, part in parts.items():
        before, after = html.split(mark)
        html = before + part + after
    return html


def _climb(climb: Climb, pictures: ClimbPictures) -> dict[str, Any]:
    figures = {name: round(value, 3) for name, value in asdict(climb).items() if name in _CLIMB_FIELDS}
    return {**figures, "direction": climb.direction, **pictures.of(climb)}
