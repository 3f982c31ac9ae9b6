"""Traces to compare: rows, tables and files."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.support.csv_tables import Rows
from vario.app.compare.tables import Table, table_of_rows


def rows(vario: Sequence[float | None], mode: Sequence[str] | None = None) -> Rows:
    """A trace of two columns, ten rows a second."""
    return [
        {
            "t_s": f"{0.1 * i:.2f}",
            "mode": mode[i] if mode else "cruise",
            "vario_mps": "" if value is None else f"{value:.3f}",
        }
        for i, value in enumerate(vario)
    ]


def table(trace: Rows) -> Table:
    return table_of_rows(trace, "a trace")


def write(path: Path, trace: Sequence[Mapping[str, str]]) -> Path:
    with path.open("w", newline="", encoding="ascii") as file:
        writer = csv.DictWriter(file, list(trace[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(trace)
    return path
