"""The trace as a table for any tool: CSV, or Parquet with the unit of every column beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from hw_replay.messages import unit_of
from vario.app.errors import AppError, OutputError
from vario.app.trace import COLUMNS, TEXT_COLUMNS, Pacer, TraceWriter, Value
from vario.flight.reading import Reading

ROWS_AT_ONCE = 6000
"""Ten minutes at 10 Hz a row group: bounded memory, and still quick to read."""


def write_csv(readings: Iterable[Reading], path: Path, rate_hz: float) -> None:
    """Write trace.csv under another name: SI values, an empty cell for no data.

    Raises:
        OutputError: if it cannot be written.
    """
    with TraceWriter(path, rate_hz) as trace:
        for reading in readings:
            trace.take(reading)


def write_parquet(readings: Iterable[Reading], path: Path, rate_hz: float) -> None:
    """Write the same columns as Parquet: doubles and texts, null for no data, values not rounded.

    Raises:
        AppError: if pyarrow is not installed.
        OutputError: if it cannot be written.
    """
    with ParquetTrace(path, rate_hz) as trace:
        for reading in readings:
            trace.take(reading)


class ParquetTrace:
    """Writes the trace row group by row group.

    Args:
        path: file to write; an existing one is replaced.
        rate_hz: rows a second.

    Raises:
        AppError: if pyarrow is not installed.
        OutputError: from every method that writes, if the disk refuses.
    """

    def __init__(self, path: Path, rate_hz: float) -> None:
        try:
            import pyarrow as pa  # noqa: PLC0415  (optional)
            import pyarrow.parquet as pq  # noqa: PLC0415  (likewise)
        except ImportError as error:
            raise AppError(
                "Parquet needs pyarrow, which is not installed: pip install 'glider-vario[tables]', "
                "or export as csv"
            ) from error
        self._pa, self._path, self._pacer = pa, path, Pacer(rate_hz)
        self._schema = pa.schema([_field(pa, name) for name in COLUMNS])
        self._values: dict[str, list[Value]] = {name: [] for name in COLUMNS}
        self._writer = self._guarded(lambda: pq.ParquetWriter(path, self._schema, compression="zstd"))

    def take(self, reading: Reading) -> None:
        """Keep the reading if a row is due."""
        if not self._pacer.due(reading.t_s):
            return
        for name, (value_of, _) in COLUMNS.items():
            self._values[name].append(value_of(reading))
        if len(self._values["t_s"]) >= ROWS_AT_ONCE:
            self._flush()

    def _flush(self) -> None:
        table = self._pa.table(self._values, schema=self._schema)
        self._guarded(lambda: self._writer.write_table(table))
        self._values = {name: [] for name in COLUMNS}

    def _guarded(self, write: Callable[[], Any]) -> Any:
        try:
            return write()
        except OSError as error:
            raise OutputError(self._path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self._flush()
        self._guarded(self._writer.close)


def _field(pa: Any, name: str) -> Any:
    if name in TEXT_COLUMNS:
        return pa.field(name, pa.string())
    return pa.field(name, pa.float64(), metadata={"unit": unit_of(name) or "1"})
