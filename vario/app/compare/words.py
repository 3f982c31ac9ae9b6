"""Describe a comparison in sentences for the pilot."""

from __future__ import annotations

import math
from collections.abc import Iterator

from vario.app.compare.result import ClimbDifference, Comparison, Spread
from vario.app.compare.tables import Floats
from vario.app.outputs.catalogue import output_of
from vario.app.outputs.flight_time import clock
from vario.settings.display import DisplayUnits

NO_MEAN = "–"
"""The mean of angles that are spread around the circle is undefined."""


def value_text(units: DisplayUnits, name: str, value: float | None) -> str:
    """A difference with sign and display unit: "+0.12 m/s", "−1.3°"."""
    if value is None:
        return NO_MEAN
    return _figure(units, name, value, _decimals(units, name, value), sign=True) + unit_of_column(units, name)


def size_text(units: DisplayUnits, name: str, value: float) -> str:
    """The same without sign."""
    return _figure(units, name, value, _decimals(units, name, value), sign=False) + unit_of_column(
        units, name
    )


def mean_and_rms(units: DisplayUnits, name: str, spread: Spread) -> str:
    """Mean and RMS without unit, the mean rounded according to the RMS: "+0.05 (0.12)"."""
    decimals = _decimals(units, name, spread.rms)
    mean = NO_MEAN if spread.mean is None else _figure(units, name, spread.mean, decimals, sign=True)
    rms = _figure(units, name, spread.rms, decimals, sign=False)
    return mean if mean == rms == "0" else f"{mean} ({rms})"


def unit_of_column(units: DisplayUnits, name: str) -> str:
    """The display unit of a column, to follow a number: " m/s", "°", or "" for a plain number."""
    return output_of(name).shown_in(units).text


def to_display_units(units: DisplayUnits, name: str, values: Floats) -> Floats:
    """Values of a column in its display unit."""
    return values * output_of(name).shown_in(units).factor


def _decimals(units: DisplayUnits, name: str, value: float) -> int:
    """The number of decimals that shows two significant digits, at most that of the trace."""
    scale, own = output_of(name).shown_in(units).factor, output_of(name).decimals
    value = abs(value * scale)
    if value == 0.0 or (own == 0 and value.is_integer()):
        return 0
    finest = (own or 3) - math.floor(math.log10(scale))  # the mean of a count is not a whole number
    return min(finest, max(0, 1 - math.floor(math.log10(value))))


def _figure(units: DisplayUnits, name: str, value: float, decimals: int, *, sign: bool) -> str:
    value = round(value * output_of(name).shown_in(units).factor, decimals)
    if value == 0.0:
        return "0"
    return f"{value if sign else abs(value):{'+' if sign else ''}.{decimals}f}".replace("-", "−")


def beginning(comparison: Comparison) -> Iterator[str]:
    """Sentences on the first difference, and on columns and rows that only one side has."""
    first = comparison.first
    if first is not None and first.first_s is not None:
        together = [c.name for c in comparison.columns if c.first_s == first.first_s and c is not first]
        along = f" (with {', '.join(together)})" if together else ""
        when = f"{clock(first.first_s)} ({first.first_s:.2f} s)"
        yield f"the first difference is at {when}, in {first.name}{along}"
    if not comparison.against_reference:
        if comparison.missing:
            yield f"missing columns: {', '.join(comparison.missing)}"
        if comparison.added:
            yield f"new columns, not compared: {', '.join(comparison.added)}"
    if comparison.unmatched_s:
        count = len(comparison.unmatched_s)
        where = f"the first at {comparison.unmatched_s[0]:.2f} s"
        yield f"{count} row{'' if count == 1 else 's'} on one side only, {where}"
    if comparison.uncovered_s > 0.0:
        yield f"one side covers {comparison.uncovered_s:.1f} s that the other does not"


def climb_sentences(comparison: Comparison) -> Iterator[str]:
    """The intervals of circling whose means changed, one sentence each."""
    for climb in comparison.climbs:
        sentence = _climb_sentence(comparison.units, climb)
        if sentence:
            yield sentence


def _climb_sentence(units: DisplayUnits, climb: ClimbDifference) -> str | None:
    moved = [
        f"{name} {_figure(units, name, mean.a, 2, sign=True)} to "
        f"{_figure(units, name, mean.b, 2, sign=True)}{unit_of_column(units, name)}"
        for name, mean in climb.means.items()
        if mean.a is not None and mean.b is not None and abs(mean.b - mean.a) >= 0.005
    ]
    if not moved:
        return None
    return f"circling from {clock(climb.start_s)} to {clock(climb.end_s)}, means: {', '.join(moved)}"
