"""The tables of a batch as CSV or Parquet. In CSV an empty cell means "not known", in Parquet null."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from vario.app.errors import AppError
from vario.app.files.atomic import result_file

Format = Literal["csv", "parquet"]

UTCS = ("takeoff_utc", "landing_utc")
"""Of the flight. `start_utc` is that of the first sample of the row, not that of `t_s` = 0, which may be
midnight."""

FLIGHT_MODES = ("ground", "launch", "cruise", "circling", "approach")
HINDSIGHT = ("rms_mps", "mean_mps", "lag_s")
TRUTHS = ("vario_mps", "netto_mps", "tas_mps")

FLIGHT_COLUMNS = (
    *("file", "flight", "flights", "title", "origin", "start_utc", "glider"),
    *("duration_s", "takeoff_s", "landing_s"),
    *UTCS,
    *("lowest_m", "highest_m", *(f"{mode}_s" for mode in FLIGHT_MODES), "circling_share"),
    *("climbs", "climb_gain_m", "climb_average_mps", *(f"{name}_rms" for name in TRUTHS)),
    *(f"hindsight_{name}" for name in HINDSIGHT),
    *("rejected", "warnings"),
)
CLIMB_COLUMNS = ("file", "flight", "climb", "start_s", "end_s", "gain_m", "average_mps", "turns", "direction")
FAILURE_COLUMNS = ("file", "failure")
TABLES = {"flights": FLIGHT_COLUMNS, "climbs": CLIMB_COLUMNS, "failures": FAILURE_COLUMNS}
"""The tables of a batch: their names and columns."""

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


def write_table(rows: Sequence[Mapping[str, Any]], columns: Sequence[str], path: Path, kind: Format) -> Path:
    """Write one table; the ending of the format is added to `path`.

    Raises:
        OutputError: if it cannot be written.
    """
    path = path.with_name(f"{path.name}.{kind}")
    with result_file(path) as temporary:
        if kind == "csv":
            with temporary.open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, columns, lineterminator="\n")
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


def _write_parquet(rows: Sequence[Mapping[str, Any]], columns: Sequence[str], path: Path) -> None:
    import pyarrow as pa  # noqa: PLC0415  (optional)
    import pyarrow.parquet as pq  # noqa: PLC0415  (likewise)

    # The type depends on the name and not on the rows, so that an empty column keeps its type.
    schema = pa.schema([(name, _type(pa, name)) for name in columns])
    pq.write_table(pa.Table.from_pylist([dict(row) for row in rows], schema=schema), path)


_TEXTS = {
    *("file", "title", "origin", "glider", "direction", "failure"),
    *("start_utc", "takeoff_utc", "landing_utc"),
}
_COUNTS = {"climb", "flight", "climbs", "flights", "rejected", "warnings"}


def _type(pa: Any, name: str) -> Any:
    if name in _TEXTS:
        return pa.string()
    return pa.int64() if name in _COUNTS else pa.float64()
