"""The tables of a batch as CSV or Parquet. In CSV an empty cell means "not known", in Parquet null."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from vario.app.errors import AppError, OutputError

Format = Literal["csv", "parquet"]


def check_format(kind: Format) -> None:
    """Fail before the work rather than after it.

    Raises:
        AppError: if Parquet is wanted and pyarrow is not installed.
    """
    if kind == "parquet":
        try:
            import pyarrow  # noqa: F401, PLC0415  (optional)
        except ImportError as error:
            raise AppError(
                "Parquet needs pyarrow, which is not installed: pip install 'glider-vario[tables]', "
                "or leave --format at csv"
            ) from error


def write_table(rows: Sequence[Mapping[str, Any]], columns: Sequence[str], path: Path, kind: Format) -> Path:
    """Write one table; the ending is added to `path`.

    Raises:
        OutputError: if it cannot be written.
    """
    path = path.with_name(f"{path.name}.{kind}")
    try:
        if kind == "csv":
            with path.open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, columns, lineterminator="\n")
                writer.writeheader()
                writer.writerows(rows)
        else:
            _write_parquet(rows, columns, path)
    except OSError as error:
        raise OutputError(path, error) from error
    return path


def _write_parquet(rows: Sequence[Mapping[str, Any]], columns: Sequence[str], path: Path) -> None:
    import pyarrow as pa  # noqa: PLC0415  (optional)
    import pyarrow.parquet as pq  # noqa: PLC0415  (likewise)

    # Types by name, not by what happens to be in the rows: an empty column stays what it is.
    schema = pa.schema([(name, _type(pa, name)) for name in columns])
    pq.write_table(pa.Table.from_pylist([dict(row) for row in rows], schema=schema), path)


_TEXTS = {"file", "title", "origin", "start_utc", "glider", "direction", "failure"}
_COUNTS = {"climb", "climbs", "rejected", "warnings"}


def _type(pa: Any, name: str) -> Any:
    if name in _TEXTS:
        return pa.string()
    return pa.int64() if name in _COUNTS else pa.float64()
