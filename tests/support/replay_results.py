"""The summary of a replay."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any


def summary(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    return found
