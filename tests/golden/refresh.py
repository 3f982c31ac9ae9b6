"""The golden trace of the demo flight, a row every five seconds.

`python -m tests.golden.refresh` writes it anew and prints what the change means, so that nobody
refreshes it blindly.
"""

from __future__ import annotations

import csv
import math
import tempfile
from pathlib import Path

from hw_replay.simulate.demo import BUNDLED
from vario.app.cli import main

GOLDEN = Path(__file__).with_name("demo.csv")
EVERY = 50


def thinned(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    """One row in five seconds."""
    return rows[::EVERY]


def read(path: Path) -> list[dict[str, str]]:
    """The rows of a trace."""
    with path.open(newline="", encoding="ascii") as file:
        return list(csv.DictReader(file))


def difference(before: list[dict[str, str]], after: list[dict[str, str]], column: str) -> str:
    """What moved in one column, in its own unit."""
    pairs = [(b.get(column, ""), a[column]) for b, a in zip(before, after, strict=False)]
    numbers = [(float(b), float(a)) for b, a in pairs if b and a and column not in ("mode", "quality")]
    shown = sum(bool(a) for _, a in pairs) - sum(bool(b) for b, _ in pairs)
    if column in ("mode", "quality"):
        return f"{sum(b != a for b, a in pairs)} rows differ"
    if not numbers:
        return f"{shown:+d} rows with data"
    rms = math.sqrt(sum((a - b) ** 2 for b, a in numbers) / len(numbers))
    mean = sum(a - b for b, a in numbers) / len(numbers)
    return f"mean {mean:+.3f}, RMS {rms:.3f}, {shown:+d} rows with data"


def refresh() -> None:
    """Replay the demo and replace the golden trace."""
    with tempfile.TemporaryDirectory() as folder:
        main(["replay", str(BUNDLED), "--out", folder])
        rows = thinned(read(Path(folder) / "trace.csv"))
    if GOLDEN.exists():
        before = read(GOLDEN)
        for column in rows[0]:
            print(f"{column:24} {difference(before, rows, column)}")
    with GOLDEN.open("w", newline="", encoding="ascii") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    refresh()
