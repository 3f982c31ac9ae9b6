"""Marks: moments that the pilot wants to find again.

`vario mark TEXT` writes a small file with the time into a folder. A running instrument reads it at once;
a replay reads it by its UTC time. `marked` inserts a mark into a finished recording instead.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drivers.events import Mark
from drivers.samples import Sample
from hw_replay.disk import SYSTEM_DISK
from hw_replay.regular_file import open_regular
from hw_replay.text import one_line
from vario.app.errors import AppError, OutputError
from vario.app.files.atomic import write_new

LONGEST_TEXT = 500
_LARGEST_BYTES = 4096
"""Maximum bytes read of a mark file: twice the longest text in the longest characters."""

_STAMP = "%Y%m%dT%H%M%S.%fZ"
MARK_ENDING, REQUEST_ENDING = ".mark", ".ask"


def marks_folder(config: Path | None) -> Path:
    """The default folder of marks: beside the settings file; without one, in the working directory."""
    return (config.parent if config is not None else Path()) / "marks"


def checked_text(text: str) -> str:
    """The text of a mark on one line.

    Raises:
        AppError: if it is empty or too long.
    """
    line = " ".join(one_line(text).split())
    if not line or len(line) > LONGEST_TEXT:
        raise AppError(f"the text of a mark has {len(line)} characters; expected 1 to {LONGEST_TEXT}")
    return line


def drop_mark(folder: Path, text: str, now: datetime) -> Path:
    """Write a mark into the folder, which is created if missing; `now` is in UTC.

    Raises:
        AppError: if the text is invalid or the file cannot be written.
    """
    return _drop(folder, checked_text(text), now, MARK_ENDING)


def drop_request(folder: Path, names: str, now: datetime) -> Path:
    """Write a request for spoken values into the folder of marks; `now` is in UTC.

    Raises:
        AppError: if the file cannot be written.
    """
    return _drop(folder, checked_text(names), now, REQUEST_ENDING)


def _drop(folder: Path, line: str, now: datetime, ending: str) -> Path:
    try:
        SYSTEM_DISK.make_folder(folder)
    except OSError as error:
        raise OutputError(folder, error) from error
    # A second mark in the same microsecond takes the next one.
    moments = (now.astimezone(UTC) + timedelta(microseconds=k) for k in range(1000))
    names = (f"{moment.strftime(_STAMP)}{ending}" for moment in moments)
    return write_new(folder, names, f"{line}\n".encode())


def dropped_marks(folder: Path, start_utc: datetime) -> list[Mark]:
    """The marks in a folder in order, with times from `start_utc`; earlier marks are left out.

    Raises:
        AppError: if the folder is missing or cannot be read.
    """
    marks = []
    if not folder.is_dir():
        raise AppError(f"{folder}: no such folder; expected the one with the marks of this flight")
    try:
        for path in sorted(folder.glob(f"*{MARK_ENDING}")):
            try:
                when = datetime.strptime(path.name.removesuffix(MARK_ENDING), _STAMP).replace(tzinfo=UTC)
            except ValueError:
                continue  # not a file of ours
            t_s = (when - start_utc).total_seconds()
            if t_s >= 0.0:
                text = dropped_text(path)
                if text:
                    marks.append(Mark(t_s, text))
    except OSError as error:
        raise AppError(f"{folder}: cannot be read: {error.strerror}") from error
    return sorted(marks, key=lambda mark: mark.t_s)


def dropped_text(path: Path) -> str:
    """The text of a mark file, shortened to the limit of a recording; empty if there is none.

    Raises:
        OSError: if it cannot be read.
    """
    with open_regular(path) as stream:
        content = stream.read(_LARGEST_BYTES)
    return " ".join(one_line(content.decode("utf-8", errors="replace")).split())[:LONGEST_TEXT].rstrip()


def with_marks(samples: Iterable[Sample], marks: Iterable[Mark]) -> Iterator[Sample]:
    """Samples with marks inserted at their times; a sample precedes a mark of the same time."""
    return heapq.merge(samples, marks, key=lambda sample: sample.t_s)


SAME_MARK_S = 2.0
"""Delay with which a running instrument reads a mark after another program has written it."""


def missing_marks(marks: Iterable[Mark], samples: Iterable[Sample]) -> list[Mark]:
    """The marks within the time of the samples that the samples do not contain already.

    A folder may contain the marks of many flights, and a recording may already contain its own.
    """
    own: list[Mark] = []
    last_s = -1.0
    for sample in samples:
        last_s = sample.t_s
        if isinstance(sample, Mark):
            own.append(sample)
    return [
        mark
        for mark in marks
        if mark.t_s <= last_s
        and not any(mark.text == kept.text and abs(mark.t_s - kept.t_s) < SAME_MARK_S for kept in own)
    ]
