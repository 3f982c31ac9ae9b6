"""Replay: process a recording and write everything that the pilot would have seen and heard."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hw_replay.source import Source
from vario.app.errors import AppError, OutputError
from vario.app.files.atomic import result_file
from vario.app.outputs.catalogue import TRACE as COLUMNS
from vario.app.outputs.columns import Columns
from vario.app.outputs.output import Value
from vario.app.outputs.trace import TraceWriter
from vario.app.picture.circle_pictures import CirclePictures
from vario.app.picture.data import MOST_ROWS
from vario.app.replay.session import ReplaySession
from vario.flight.inputs.frames import JUMP_S
from vario.flight.reading import Reading
from vario.flight.thermal.climbs import Climb
from vario.settings.display import METRIC, DisplayUnits
from vario.settings.glider import Glider
from vario.settings.schema import Settings
from vario.sound.errors import SoundLibraryError
from vario.sound.flac import FlacSink
from vario.sound.sink import NullSink, Sink
from vario.sound.word_bank import WordBank

if TYPE_CHECKING:
    from vario.app.hindsight.hindsight import Hindsight

TRACE, SUMMARY, TONE, REPORT = "trace.csv", "summary.json", "tone.flac", "report.png"


def replay(
    source: Source,
    settings: Settings,
    glider: Glider | None,
    out_dir: Path,
    progress: Callable[[float], None] = lambda _: None,
    *,
    follow_changes: bool = True,
    sound: bool = True,
    picture: bool = True,
    words: WordBank | None = None,
    hindsight: Hindsight | None = None,
) -> dict[str, Any]:
    """Play `source` and write trace.csv, summary.json, tone.flac and report.png into `out_dir`.

    Memory does not grow with the length of the flight. A file that is switched off is removed if an earlier
    replay wrote it, so that all files in the folder belong to one replay.

    Args:
        source: the recording.
        settings: in force at its beginning.
        glider: None: no netto and no speed to fly.
        out_dir: folder for the files; created if missing.
        progress: called with the present time in s.
        follow_changes: whether changes of settings in the recording are applied.
        sound: whether to write tone.flac.
        picture: whether to write report.png. If not, matplotlib is not loaded.
        words: recorded words at `WORDS_HZ` for the sound; None: nothing is said.
        hindsight: collects the flight for the summary; memory then grows by some 3 MB per hour.

    Returns:
        The content of summary.json.

    Raises:
        AppError: if the library for sound files is missing.
        OutputError, SoundFileError: if a file cannot be written.
        RecordingError: if the recording cannot be read.
    """
    session = ReplaySession(
        source, settings, glider, follow_changes=follow_changes, progress=progress, hindsight=hindsight
    )
    rate_hz, start_utc = settings.trace.rate_hz, source.info.start_utc
    drawing = Drawing(rate_hz, start_utc, DisplayUnits(settings.display)) if picture else None
    with (
        _sink(out_dir / TONE if sound else None, words) as sink,
        result_file(out_dir / TRACE) as trace_path,
        TraceWriter(trace_path, rate_hz, start_utc) as trace,
    ):
        before: Reading | None = None
        for reading in session:
            if before is not None:
                # During a step, the sound is that of the reading at its beginning. A gap in the recording
                # is removed from the sound; the summary reports it.
                step_s = reading.t_s - before.t_s
                sink.play(before.tone, step_s if step_s <= JUMP_S else 0.0)
            before = reading
            values = trace.take(reading)
            if drawing is not None:
                drawing.take(reading, values, session.climbs)
    result = session.summary()
    with result_file(out_dir / SUMMARY) as path:
        path.write_text(json.dumps(result, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    if drawing is not None:
        with result_file(out_dir / REPORT) as path:
            drawing.write(path, source.info.title, session.climbs, result)
    for name, wanted in ((TONE, sound), (REPORT, picture)):
        if not wanted:
            _remove(out_dir / name)
    return result


@contextmanager
def _sink(path: Path | None, words: WordBank | None) -> Iterator[Sink]:
    """The sink of the sound file; without a path one that plays nothing."""
    if path is None:
        yield NullSink()
        return
    try:
        # After a kill, the partial file can be played; its name shows what it is.
        with result_file(path, recoverable=True) as temporary, FlacSink(temporary, words=words) as sink:
            yield sink
    except SoundLibraryError as error:
        raise AppError(f"{path}: {error}; or replay with --no-sound") from error


def _remove(path: Path) -> None:
    """Remove a file of an earlier replay."""
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(path, error) from error


class Drawing:
    """Collects the data for the picture during the flight. Memory is bounded."""

    def __init__(
        self, rate_hz: float, start_utc: datetime | None = None, units: DisplayUnits = METRIC
    ) -> None:
        self._rows = Columns(COLUMNS, rate_hz, start_utc, most_rows=MOST_ROWS)
        self._start_utc = start_utc
        self._units = units
        self._circles = CirclePictures()
        self._circle_of_climb: list[object] = []

    def take(self, reading: Reading, values: Sequence[Value] | None, climbs: Sequence[Climb]) -> None:
        """Add a reading, its row of the trace if there is one, and the climbs that have ended so far."""
        if values is not None:
            self._rows.keep(values)
        self._circles.take(reading)
        if len(climbs) > len(self._circle_of_climb):
            self._finish(climbs)

    def write(self, path: Path, title: str, climbs: Sequence[Climb], summary: dict[str, Any]) -> None:
        """Draw the flight with its climbs and its summary into a PNG file.

        Raises:
            OSError: if the file cannot be written.
        """
        # Imported here: matplotlib takes longer to load than the rest of the command.
        from vario.app.picture.sheet import write_report  # noqa: PLC0415  (matplotlib is slow to load)

        self._finish(climbs)
        circles = zip(climbs, self._circle_of_climb, strict=True)
        write_report(
            path,
            self._rows.columns(),
            [{**asdict(climb), "circle": circle} for climb, circle in circles],
            title,
            summary["warnings"],
            marks=summary["marks"],
            start_utc=self._start_utc,
            units=self._units,
        )

    def _finish(self, climbs: Sequence[Climb]) -> None:
        """Store the circle of each climb that has ended."""
        kept = len(self._circle_of_climb)
        self._circle_of_climb.extend(self._circles.of(climb) for climb in climbs[kept:])
