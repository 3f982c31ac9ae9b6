"""Replay: a recording through the instrument, and everything the pilot would have seen and heard."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from hw_replay.source import Source
from vario.app.errors import OutputError
from vario.app.passage import Passage
from vario.app.picture.circle_pictures import CirclePictures, with_pictures
from vario.app.picture.rows import TrackRows
from vario.app.trace import TraceWriter
from vario.flight.inputs.frames import JUMP_S
from vario.flight.reading import Reading
from vario.settings.glider import Glider
from vario.settings.schema import Settings
from vario.sound.wav import WavSink

TRACE, SUMMARY, TONE, REPORT = "trace.csv", "summary.json", "tone.wav", "report.png"


def replay(
    source: Source,
    settings: Settings,
    glider: Glider | None,
    out_dir: Path,
    progress: Callable[[float], None] = lambda _: None,
    *,
    follow_changes: bool = True,
) -> dict[str, Any]:
    """Play `source` and write trace.csv, summary.json, tone.wav and report.png into `out_dir`.

    Memory does not grow with the length of the flight. `progress` is called with the time reached, s.
    `follow_changes` is whether settings changed in flight, which the recording holds, change here too.

    Returns:
        The content of summary.json.

    Raises:
        OutputError, SoundFileError: if a file cannot be written.
        RecordingError: if the recording cannot be read.
    """
    # Imported here: matplotlib takes longer to load than the rest of the command together.
    from vario.app.picture.sheet import write_report  # noqa: PLC0415

    try:
        out_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(out_dir, error) from error
    passage = Passage(source, settings, glider, follow_changes=follow_changes, progress=progress)
    rows = TrackRows(settings.trace.rate_hz)
    pictures = CirclePictures()
    pictured: list[object] = []

    def picture_climbs() -> None:
        """Keep the picture of each climb that has ended."""
        pictured.extend(pictures.of(climb) for climb in passage.climbs[len(pictured) :])

    with (
        TraceWriter(out_dir / TRACE, settings.trace.rate_hz) as trace,
        WavSink(out_dir / TONE) as sound,
    ):
        before: Reading | None = None
        for reading in passage:
            if before is not None:
                # What was known at the beginning of a step sounds during it. A break in the
                # recording is cut out of the sound; the summary tells of it.
                step_s = reading.t_s - before.t_s
                sound.play(before.tone, step_s if step_s <= JUMP_S else 0.0)
            before = reading
            values = trace.take(reading)
            if values is not None:
                rows.take(reading, values)
            pictures.take(reading)
            if len(passage.climbs) > len(pictured):
                picture_climbs()
        picture_climbs()
    result = passage.summary()
    path = out_dir / SUMMARY
    try:
        path.write_text(json.dumps(result, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        path = out_dir / REPORT
        climbs = with_pictures([asdict(climb) for climb in passage.climbs], pictured)
        write_report(
            path, rows.columns(), climbs, source.info.title, result["warnings"], marks=result["marks"]
        )
    except OSError as error:
        raise OutputError(path, error) from error
    return result
