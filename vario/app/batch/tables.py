"""The tables of a batch as CSV or Parquet. In CSV an empty cell means "not known", in Parquet null."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from vario.app.errors import AppError
from vario.app.files.atomic import result_file

Format = Literal["csv", "parquet"]

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def check_format(kind: Format) -> None:
    """Check the format before the work starts.

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


def write_table(
    rows: Sequence[Mapping[str, Any]], columns: Mapping[str, type], path: Path, kind: Format
) -> Path:
    """Write one table of columns with their types; the ending of the format is added to `path`.

    Raises:
        OutputError: if it cannot be written.
    """
    path = path.with_name(f"{path.name}.{kind}")
    with result_file(path) as temporary:
        if kind == "csv":
            with temporary.open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, list(columns), lineterminator="\n")
                writer.writeheader()
                writer.writerows({name: cell(value) for name, value in row.items()} for row in rows)
        else:
            _write_parquet(rows, columns, temporary)
    return path


def cell(value: Any) -> Any:
    """A value as a cell of CSV: an apostrophe is put before a text that a spreadsheet reads as a formula.

    Such texts begin with one of = + - @, a tab or a carriage return (OWASP, CSV Injection). Numbers are
    unchanged.
    """
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def _write_parquet(rows: Sequence[Mapping[str, Any]], columns: Mapping[str, type], path: Path) -> None:
    import pyarrow as pa  # noqa: PLC0415  (optional)
    import pyarrow.parquet as pq  # noqa: PLC0415  (likewise)

    # The types are stated and not taken from the rows, so that an empty column keeps its type.
    types = {str: pa.string(), int: pa.int64(), float: pa.float64()}
    schema = pa.schema([(name, types[kind]) for name, kind in columns.items()])
    pq.write_table(pa.Table.from_pylist([dict(row) for row in rows], schema=schema), path)
