"""The tables of a batch as CSV or Parquet. In CSV an empty cell means "not known", in Parquet null."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from vario.app.files.atomic import result_file
from vario.app.files.parquet import pyarrow

Format = Literal["csv", "parquet"]

UTCS = ("takeoff_utc", "landing_utc")
"""Of the flight. `start_utc` is that of the first sample of the row, not that of `t_s` = 0, which may be
midnight."""

FLIGHT_MODES = ("ground", "launch", "cruise", "circling", "approach")
HINDSIGHT = ("rms_mps", "mean_mps", "lag_s")
TRUTHS = ("vario_mps", "netto_mps", "tas_mps")

FLIGHT_COLUMNS: dict[str, type] = {
    "file": str,
    "flight": int,
    "flights": int,
    **dict.fromkeys(("title", "origin", "start_utc", "glider"), str),
    **dict.fromkeys(("duration_s", "takeoff_s", "landing_s"), float),
    **dict.fromkeys(UTCS, str),
    **dict.fromkeys(("lowest_m", "highest_m"), float),
    **dict.fromkeys((*(f"{mode}_s" for mode in FLIGHT_MODES), "circling_share"), float),
    "climbs": int,
    **dict.fromkeys(("climb_gain_m", "climb_average_mps"), float),
    **dict.fromkeys((f"{name}_rms" for name in TRUTHS), float),
    **dict.fromkeys((f"hindsight_{name}" for name in HINDSIGHT), float),
    **dict.fromkeys(("rejected", "warnings"), int),
}
"""The columns of each table with their types."""

CLIMB_COLUMNS: dict[str, type] = {
    "file": str,
    "flight": int,
    "climb": int,
    **dict.fromkeys(("start_s", "end_s", "gain_m", "average_mps", "turns"), float),
    "direction": str,
}
FAILURE_COLUMNS: dict[str, type] = {"file": str, "failure": str}
TABLES = {"flights": FLIGHT_COLUMNS, "climbs": CLIMB_COLUMNS, "failures": FAILURE_COLUMNS}
"""The tables of a batch: their names and columns."""

_INSTEAD = "leave --format at csv"
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def check_format(kind: Format) -> None:
    """Check the format before the work starts.

    Raises:
        AppError: if Parquet is wanted and pyarrow is not installed.
    """
    if kind == "parquet":
        pyarrow(_INSTEAD)


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
    pa, pq = pyarrow(_INSTEAD)
    # The types are stated and not taken from the rows, so that an empty column keeps its type.
    types = {str: pa.string(), int: pa.int64(), float: pa.float64()}
    schema = pa.schema([(name, types[kind]) for name, kind in columns.items()])
    pq.write_table(pa.Table.from_pylist([dict(row) for row in rows], schema=schema), path)
