"""A comparison in sentences, for the message of a test that fails."""

from __future__ import annotations

from collections.abc import Iterator

from vario.app.compare.result import ColumnDifference, Comparison
from vario.app.compare.words import beginning, climb_sentences, size_text
from vario.app.outputs.catalogue import output_of
from vario.app.outputs.flight_time import clock
from vario.settings.display import DisplayUnits


def sentences(comparison: Comparison) -> Iterator[str]:
    """The first difference, then each column that changed, then the climbs; B is new, A its reference."""
    yield from beginning(comparison)
    for column in comparison.columns:
        if column.moved:
            yield _column_sentence(comparison.units, column, reference=comparison.against_reference)
    yield from climb_sentences(comparison)


def _column_sentence(units: DisplayUnits, column: ColumnDifference, *, reference: bool) -> str:
    name, rows = column.name, column.difference.size
    if output_of(name).is_text:
        return f"{name} differs in {_share(int(column.difference.sum()), rows)}"
    parts = []
    if column.all is not None and column.largest is not None and column.largest_s is not None:
        if column.largest == 0.0:
            parts.append("equal where both have a value")
        else:
            parts.append(
                f"{_on_average(units, column.all.mean, name)}, "
                f"RMS {size_text(units, name, column.all.rms)}, "
                f"at most {size_text(units, name, column.largest)} at {clock(column.largest_s)}"
            )
    for count, who in ((column.only_b, "now shown"), (column.only_a, "no longer shown")):
        if count and not reference:
            parts.append(f"{who} in {_share(count, rows)}")
    if reference and column.only_a + column.only_b:
        parts.append(f"nothing to compare in {_share(column.only_a + column.only_b, rows)}")
    return f"{name}: " + "; ".join(parts)


def _share(count: int, rows: int) -> str:
    """A count of rows with its share of all: "2 rows (10 %)"."""
    return f"{count} row{'' if count == 1 else 's'} ({100 * count / rows:.2g} %)"


def _on_average(units: DisplayUnits, mean: float | None, name: str) -> str:
    if mean is None:
        return "no mean direction"
    if round(mean, output_of(name).decimals) == 0.0:
        return "the same on average"
    return f"{size_text(units, name, mean)} {'higher' if mean > 0 else 'lower'} on average"
