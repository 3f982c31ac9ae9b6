"""Tables in CSV files."""

from __future__ import annotations

import csv
from pathlib import Path

Rows = list[dict[str, str]]


def csv_rows(path: Path, encoding: str = "ascii") -> Rows:
    """The rows of a table; a trace is ASCII."""
    with path.open(newline="", encoding=encoding) as file:
        return list(csv.DictReader(file))
