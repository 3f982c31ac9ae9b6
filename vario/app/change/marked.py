"""Recordings with marks inserted: `vario mark --into` and `vario replay --marks`."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from drivers.events import Mark
from hw_replay.open import convert
from hw_replay.recording import Recording
from hw_replay.source import Source
from vario.app.change.marks import checked_text, with_marks
from vario.app.errors import AppError
from vario.app.replay.altered import Altered


class Marked(Altered):
    """A source with marks inserted."""

    def __init__(self, source: Source, marks: Iterable[Mark]) -> None:
        marks = list(marks)
        super().__init__(source, lambda samples: with_marks(samples, marks))


def mark_recording(path: Path, text: str, at_s: float) -> None:
    """Insert a mark into a finished recording, `at_s` seconds after its beginning.

    Raises:
        AppError: if the text is invalid, the time is outside the recording, or the recording is
            damaged.
        RecordingError: if it cannot be read or written.
    """
    line = checked_text(text)
    source = Recording(path)
    first_s = next((sample.t_s for sample in source), None)
    if first_s is None or not 0.0 <= at_s <= (source.duration_s or 0.0):
        raise AppError(f"{path}: {at_s:g} s is outside this recording of {source.duration_s or 0:.0f} s")
    for _ in source:  # read it once: the copy of a damaged recording would be shorter
        pass
    if source.warnings():
        raise AppError(f"{path}: damaged, so it is left unchanged: {source.warnings()[0]}")
    convert(Marked(source, [Mark(first_s + at_s, line)]), path)
