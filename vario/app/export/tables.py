"""The trace as a table: CSV, or Parquet with the unit of every column."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from vario.app.errors import OutputError
from vario.app.files.parquet import pyarrow
from vario.app.outputs.catalogue import TRACE
from vario.app.outputs.columns import Columns
from vario.app.outputs.output import Output
from vario.app.outputs.trace import TraceWriter
from vario.flight.reading import Reading

ROWS_AT_ONCE = 6000
"""Size of a row group: ten minutes at 10 Hz. Memory is bounded, and reading stays fast."""


def write_rows(readings: Iterable[Reading], trace: TraceWriter | ParquetTrace) -> None:
    """Write the columns of all readings into a table, and close it.

    Raises:
        OutputError: if it cannot be written.
    """
    with trace:
        for reading in readings:
            trace.take(reading)


class ParquetTrace:
    """Writes the columns of the trace as Parquet: doubles and texts, null for no data, values not rounded.

    Args:
        path: file to write; an existing one is replaced.
        rate_hz: rows per second.
        start_utc: the time of `t_s` = 0; None: unknown.

    Raises:
        AppError: if pyarrow is not installed.
        OutputError: from every method that writes, if the disk refuses.
    """

    def __init__(self, path: Path, rate_hz: float, start_utc: datetime | None = None) -> None:
        pa, pq = pyarrow("export as csv")
        self._pa, self._path = pa, path
        self._columns = Columns(TRACE, rate_hz, start_utc)
        self._schema = pa.schema([_field(pa, output) for output in TRACE])
        self._writer = self._guarded(lambda: pq.ParquetWriter(path, self._schema, compression="zstd"))

    def take(self, reading: Reading) -> None:
        """Add the reading if a row is due."""
        if self._columns.take(reading) and len(self._columns) >= ROWS_AT_ONCE:
            self._flush()

    def _flush(self) -> None:
        pa, columns = self._pa, self._columns.columns()
        arrays = [
            # Missing data (NaN or an empty text) is null in Parquet.
            pa.array(columns[field.name], field.type, mask=columns[field.name] == "")
            if pa.types.is_string(field.type)
            else pa.array(columns[field.name], field.type, from_pandas=True)
            for field in self._schema
        ]
        table = pa.Table.from_arrays(arrays, schema=self._schema)
        self._guarded(lambda: self._writer.write_table(table))
        self._columns.clear()

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


def _field(pa: Any, output: Output) -> Any:
    """A column of the schema; its metadata contain unit and meaning."""
    if output.is_text:
        return pa.field(output.name, pa.string(), metadata={"meaning": output.meaning})
    metadata = {"unit": output.unit or "1", "meaning": output.meaning}
    return pa.field(output.name, pa.float64(), metadata=metadata)
