"""Recognise results of this program, which are not recordings, by their content."""

from __future__ import annotations

from pathlib import Path

from hw_replay.errors import RecordingError
from hw_replay.files import read_start
from hw_replay.wide_csv import map_beside
from vario.app.batch.tables import TABLES
from vario.app.outputs.themes.primary import PRIMARY

_FIRST = 3
"""So many names at the beginning of a header are enough: later versions add columns at the end."""

_HEADER_BYTES = 65_536


def own_result(path: Path) -> str | None:
    """What a file is, if it is a result of this program, else None.

    A table with a map beside it is a recording, whatever its columns.
    """
    try:
        if map_beside(path).exists():
            return None
        header = read_start(path, _HEADER_BYTES).partition(b"\n")[0]
    except (OSError, RecordingError):  # OSError: the name of the map would be too long
        return None  # reading it as a recording tells the reason
    names = header.decode("utf-8", "replace").strip().split(",")
    for table, columns in TABLES.items():
        if names[:_FIRST] == list(columns)[:_FIRST]:
            return f"the table of {table} of a batch"
    trace = [output.name for output in PRIMARY]
    return "the trace of a replay" if names[: len(trace)] == trace else None
