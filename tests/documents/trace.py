"""Generate docs/trace.md from the catalogue: `python -m tests.documents.trace > docs/trace.md`."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from vario.app.outputs.catalogue import THEMES
from vario.app.outputs.output import Kind, Output

_HEAD = """# The columns of trace.csv

Made from the catalogue of outputs by `python -m tests.documents.trace > docs/trace.md`.

* `[trace] rate` sets how many rows a second there are: 10 unless it is changed.
* Values are in SI units; the end of the column's name is the unit. Up is positive. Directions are from true
  north, clockwise, in radians. Latitude and longitude are in degrees.
* An empty cell means that the value is not known.
* Read columns by name. A new version may add columns in between.
* `vario export --as csv` and `--as parquet` and the Python interface give the same columns.
"""

_FORMAT = {
    Kind.FLAG: "0 or 1",
    Kind.COUNT: "count",
    Kind.TEXT: "text",
    Kind.EVENT: "text",
    Kind.UTC: "text",
}


def trace_reference() -> str:
    """The whole page."""
    return "\n".join(_page()) + "\n"


def _page() -> Iterator[str]:
    yield _HEAD.rstrip()
    for theme in THEMES:
        columns = [output for output in theme.outputs if output.in_trace]
        if not columns:
            continue
        yield f"\n## {theme.heading}\n"
        yield "| column | unit | decimals | meaning |"
        yield "|---|---|---|---|"
        for output in columns:
            yield _row(output)


def _row(output: Output) -> str:
    unit = _FORMAT.get(output.kind) or output.unit or "1"
    decimals = "" if output.kind in _FORMAT else str(output.decimals)
    return f"| `{output.name}` | {unit} | {decimals} | {output.meaning} |"


if __name__ == "__main__":
    sys.stdout.write(trace_reference())
