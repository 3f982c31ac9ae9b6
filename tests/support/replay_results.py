"""Results of a replay, read back."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

Rows = list[dict[str, str]]


def rows(path: Path) -> Rows:
    with path.open(newline="", encoding="ascii") as file:
        return list(csv.DictReader(file))


def summary(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    return found
