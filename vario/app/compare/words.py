"""A comparison in sentences: what the pilot would notice of the change."""

from __future__ import annotations

import math
from collections.abc import Iterator

from hw_replay.messages import unit_of
from vario.app.clock import clock
from vario.app.compare.compare import ClimbDifference, ColumnDifference, Comparison
from vario.app.trace import TEXT_COLUMNS

_SUBJECTS = {
    "altitude_m": "pressure height (the true one differs from it by the pressure of the day)",
    "ias_mps": "indicated airspeed",
    "tas_mps": "true airspeed",
    "pitch_rad": "pitch",
    "bank_rad": "bank",
    "vario_mps": "the vario",
    "netto_mps": "netto",
    "relative_netto_mps": "relative netto",
    "average_mps": "the averager",
    "turn_average_mps": "the average of the last turn",
    "climb_average_mps": "the average of the climb",
    "wind_north_mps": "wind, its part to the north",
    "wind_east_mps": "wind, its part to the east",
    "speed_to_fly_mps": "speed to fly",
    "mode": "the flight mode",
    "quality": "what the instrument says about its own quality",
    "heading_rad": "heading",
    "expected_climb_mps": "the climb to expect here",
    "faster_by_mps": "how much faster to fly",
    "centring_cues": "the count of centring cues",
}
_DEGREES = {"rad": ("°", 180 / math.pi), "radps": ("°/s", 180 / math.pi)}


def bare(name: str, value: float, *, sign: bool = True) -> str:
    """A difference in the unit of `unit_text`, without it: "+0.12"."""
    return f"{value * _unit(name)[1]:{'+' if sign else ''}.2g}".replace("-", "−")


def unit_text(name: str) -> str:
    """The unit people read a column in: "m/s", "°", nothing for a plain number."""
    return _unit(name)[0].strip()


def shown(name: str, value: float, digits: int = 2) -> str:
    """A difference with its sign and the unit people read it in: "+0.12 m/s", "−1.3°"."""
    unit, scale = _unit(name)
    return f"{value * scale:+.{digits}g}{unit}".replace("-", "−")


def size(name: str, value: float, digits: int = 2) -> str:
    """The same without sign."""
    unit, scale = _unit(name)
    return f"{abs(value) * scale:.{digits}g}{unit}"


def _unit(name: str) -> tuple[str, float]:
    suffix = name.rpartition("_")[2]
    if suffix in _DEGREES:
        return _DEGREES[suffix]
    unit = unit_of(name)
    return (f" {unit}" if unit else ""), 1.0


def meaning(comparison: Comparison) -> Iterator[str]:
    """One sentence for everything a pilot would notice, the first divergence first, then what else moved.

    B is spoken of as the new one, A as what it is measured by.
    """
    first = comparison.first
    if first is not None and first.first_s is not None:
        together = [c.name for c in comparison.columns if c.first_s == first.first_s and c is not first]
        along = f" (with {', '.join(together)})" if together else ""
        yield f"the two part at {clock(first.first_s)} ({first.first_s:.2f} s), first in {first.name}{along}"
    if comparison.missing and not comparison.against_reference:
        yield f"columns gone: {', '.join(comparison.missing)}"
    if comparison.added and not comparison.against_reference:
        yield f"new columns, not compared: {', '.join(comparison.added)}"
    if comparison.unmatched_s:
        yield (
            f"{len(comparison.unmatched_s)} rows stand on one side only, "
            f"the first at {comparison.unmatched_s[0]:.2f} s"
        )
    if comparison.uncovered_s > 0.0:
        yield f"one side covers {comparison.uncovered_s:.1f} s that the other does not"
    moved = [column for column in comparison.columns if column.moved]
    for column in moved:
        if column.name in _SUBJECTS:
            yield _column_sentence(column, reference=comparison.against_reference)
    others = [column.name for column in moved if column.name not in _SUBJECTS]
    if others:
        yield f"moved too: {', '.join(others)}"
    for number, climb in enumerate(comparison.climbs, start=1):
        sentence = _climb_sentence(number, climb)
        if sentence:
            yield sentence


def _column_sentence(column: ColumnDifference, *, reference: bool) -> str:
    subject = _SUBJECTS[column.name]
    if column.name in TEXT_COLUMNS:
        rows = int(column.difference.sum())
        share = 100.0 * rows / max(1, column.difference.size)
        return f"{subject} is another one in {rows} rows ({share:.2g} % of them)"
    parts = []
    if column.all is not None and column.largest is not None and column.largest_s is not None:
        if column.largest == 0.0:
            parts.append("equal where both show it")
        else:
            mean = column.all.mean
            way = "higher" if mean > 0 else "lower"
            parts.append(
                f"{size(column.name, mean)} {way} on average, RMS {size(column.name, column.all.rms)}, "
                f"at most {size(column.name, column.largest)} at {clock(column.largest_s)}"
            )
    rows = column.difference.size
    for count, who in ((column.only_b, "now shown"), (column.only_a, "no longer shown")):
        if count and not reference:
            parts.append(f"{who} in {count} rows ({100 * count / rows:.2g} %)")
    if reference and column.only_a + column.only_b:
        parts.append(f"nothing to compare in {column.only_a + column.only_b} of {rows} rows")
    return f"{subject}: " + "; ".join(parts)


def _climb_sentence(number: int, climb: ClimbDifference) -> str | None:
    moved = [
        f"{name} {a:+.2f} to {b:+.2f}".replace("-", "−")
        for name, (a, b) in climb.means.items()
        if abs(b - a) >= 0.005
    ]
    if not moved:
        return None
    return f"climb {number} ({clock(climb.start_s)} to {clock(climb.end_s)}), means: {', '.join(moved)} m/s"
