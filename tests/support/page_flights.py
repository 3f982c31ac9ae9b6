"""The bundled flight for tests of its page, and a long flight made of it."""

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import takewhile
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from hw_replay.source import Source
from hw_replay.writer import RecordingWriter
from tests.support.examples import everything
from tests.support.once import worked_out
from vario.app.outputs.trace import TraceWriter
from vario.app.page.build import PageContent
from vario.app.replay.session import ReplaySession
from vario.flight.reading import Reading
from vario.flight.thermal.climbs import Climb
from vario.settings.display import METRIC, DisplayUnits
from vario.settings.load import parse_settings
from vario.sound.word_bank import WordBank

LONG_S = 5 * 3600.0
PART_S = 470.0
"""The tow, the first glide and the first climb: the part of the bundled flight that `make test` flies."""
KEPT_EVERY_S = 0.095  # ten readings per second, as on a page


class Flown(NamedTuple):
    readings: list[Reading]
    climbs: list[Climb]
    summary: dict[str, Any]
    trace: str = ""
    """The text of trace.csv."""


def beginning(seconds: float, path: Path) -> Path:
    """A recording of the first seconds of the bundled flight, written to `path`."""
    whole = open_source(BUNDLED)
    with RecordingWriter(path, whole.info) as writer:
        for sample in takewhile(lambda sample: sample.t_s <= seconds, whole):
            writer.write(sample)
    return path


@cache
def demo() -> Flown:
    """The bundled flight; in `make test` the first `PART_S` of it."""
    return worked_out("demo readings", _fly_demo)


def _fly_demo() -> Flown:
    with TemporaryDirectory() as folder:
        part = Path(folder) / BUNDLED.name
        return _flown(open_source(BUNDLED if everything() else beginning(PART_S, part)))


def _flown(source: Source) -> Flown:
    loaded = parse_settings(source.info.config_toml or "", "settings", source.info.glider_toml)
    session = ReplaySession(source, loaded.settings, loaded.glider)
    readings: list[Reading] = []
    with TemporaryDirectory() as folder:
        path = Path(folder) / "trace.csv"
        with TraceWriter(path, loaded.settings.trace.rate_hz, source.info.start_utc) as trace:
            for reading in session:
                trace.take(reading)
                if not readings or reading.t_s - readings[-1].t_s >= KEPT_EVERY_S:
                    readings.append(reading)
        text = path.read_text(encoding="ascii")
    return Flown(readings, list(session.climbs), session.summary(), text)


def long_flight(duration_s: float = LONG_S) -> Flown:
    """The bundled flight repeatedly, every time a little further east."""
    flown = demo()
    lap_s = flown.readings[-1].t_s + 0.1
    laps = int(duration_s / lap_s) + 1
    climbs = [
        replace(climb, start_s=climb.start_s + lap * lap_s, end_s=climb.end_s + lap * lap_s)
        for lap in range(laps)
        for climb in flown.climbs
    ]

    def readings() -> Iterator[Reading]:
        for lap in range(laps):
            yield from (later(reading, lap, lap_s) for reading in flown.readings)

    summary = flown.summary | {
        "title": "A long flight",
        "flight": flown.summary["flight"] | {"duration_s": laps * lap_s},
    }
    return Flown(list(readings()), climbs, summary)


def later(reading: Reading, lap: int, lap_s: float) -> Reading:
    by_s = lap * lap_s
    tone, thermal, position = reading.tone, reading.thermal, reading.position
    if tone.cue is not None:
        tone = replace(tone, cue=replace(tone.cue, number=tone.cue.number + 1000 * lap))
    if thermal.lift_map:
        newest = thermal.lift_map[-1]
        thermal = replace(thermal, lift_map=(moved(newest, by_s),))
    if position is not None:
        position = replace(position, lon_deg=position.lon_deg + 0.02 * lap)
    return replace(reading, t_s=reading.t_s + by_s, tone=tone, thermal=thermal, position=position)


@cache
def moved(point: Any, by_s: float) -> Any:
    """The same point at a later time; the same object for the same point, as in the instrument."""
    return replace(point, t_s=point.t_s + by_s)


def content_of(
    flown: Flown, words: WordBank | None = None, units: DisplayUnits = METRIC, **summary: Any
) -> dict[str, Any]:
    content = PageContent(units, words)
    for reading in flown.readings:
        content.take(reading)
    return content.result(flown.summary | summary, flown.climbs)
