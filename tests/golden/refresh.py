"""The golden trace of the demo flight, a row every five seconds.

`python -m tests.golden.refresh` writes it again and prints a description of the changes, so that each refresh
is checked.
"""

from __future__ import annotations

import contextlib
import csv
import io
import tempfile
from pathlib import Path

from hw_replay.simulate.demo import BUNDLED
from tests.support.comparison_text import sentences
from tests.support.csv_tables import Rows, csv_rows
from vario.app.cli import main
from vario.app.compare.compare import compare_tables
from vario.app.compare.result import Comparison
from vario.app.compare.tables import table_of_rows
from vario.app.outputs.catalogue import TRACE
from vario.app.outputs.output import Kind

GOLDEN = Path(__file__).with_name("demo.csv")
EVERY = 50


def thinned(rows: Rows) -> Rows:
    """One row per five seconds, with the events since the row before, so that none is lost."""
    events = [output.name for output in TRACE if output.kind is Kind.EVENT]
    kept = []
    for end in range(0, len(rows), EVERY):
        since = rows[max(0, end - EVERY + 1) : end + 1]
        kept.append(rows[end] | {name: "+".join(row[name] for row in since if row[name]) for name in events})
    return kept


def against_golden(rows: Rows, most_rows: int | None = None) -> Comparison:
    """Compare thinned rows with the golden trace, or with its first `most_rows` rows."""
    golden = csv_rows(GOLDEN)[:most_rows]
    return compare_tables(table_of_rows(golden, str(GOLDEN)), table_of_rows(rows, "this replay"))


def refresh() -> None:
    """Replay the demo, print the changes, and replace the golden trace."""
    with tempfile.TemporaryDirectory() as folder:
        with contextlib.redirect_stdout(io.StringIO()):  # it would name files that are removed at once
            main(["replay", str(BUNDLED), "--out", folder, "--no-sound", "--no-picture"])
        rows = thinned(csv_rows(Path(folder) / "trace.csv"))
    if GOLDEN.exists():
        moved = list(sentences(against_golden(rows)))
        print("What the change means:" if moved else "Nothing has moved.")
        for sentence in moved:
            print(f"- {sentence}")
    with GOLDEN.open("w", newline="", encoding="ascii") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    refresh()
