"""trace.csv: the outputs of the instrument as rows of SI values. An empty cell means no data."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from vario.app.errors import OutputError
from vario.app.outputs.catalogue import TRACE
from vario.app.outputs.output import Value
from vario.app.outputs.sampler import Sampler
from vario.flight.reading import Reading

_PATTERNS = tuple(output.pattern for output in TRACE)
_NEGATIVE_ZERO = re.compile(r",-0(?=(\.0+)?(,|$))")


def row(cells: Sequence[Value]) -> str:
    """One row of the file. No cell needs quotes, because all are numbers or single words."""
    texts = ["" if value is None else _PATTERNS[column] % value for column, value in enumerate(cells)]
    text = ",".join(texts)
    # A negative value that rounds to zero is written as zero, not as "-0.000".
    return _NEGATIVE_ZERO.sub(",0", text) if ",-0" in text else text


class TraceWriter:
    """Writes trace.csv row by row.

    Args:
        path: file to write; an existing one is replaced.
        rate_hz: rows per second.
        start_utc: the time of `t_s` = 0; None: unknown, the column stays empty.

    Raises:
        OutputError: from every method that writes, if the disk refuses.
    """

    def __init__(self, path: Path, rate_hz: float, start_utc: datetime | None = None) -> None:
        self._path = path
        self._sampler = Sampler(TRACE, rate_hz, start_utc)
        try:
            self._file = path.open("w", newline="", encoding="ascii")
        except OSError as error:
            raise OutputError(path, error) from error
        self._file.write(",".join(output.name for output in TRACE) + "\n")

    def take(self, reading: Reading) -> list[Value] | None:
        """Call this with every reading; returns the values of a row if one was due and has been written."""
        cells = self._sampler.take(reading)
        if cells is not None:
            self._write(cells)
        return cells

    def _write(self, cells: Sequence[Value]) -> None:
        try:
            self._file.write(row(cells) + "\n")
        except OSError as error:
            raise OutputError(self._path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            cells = self._sampler.rest() if kind is None else None
            if cells is not None:
                self._write(cells)
        finally:
            try:
                self._file.close()
            except OSError as failed:
                raise OutputError(self._path, failed) from failed
