"""The catalogue of all outputs. Trace, page, comparisons, exports and docs/trace.md are generated from it.

The entries are in `vario/app/outputs/themes/`; add a new one at the end of its theme.
"""

from __future__ import annotations

from drivers.quick import dataclass
from vario.app.outputs.output import Kind, Output
from vario.app.outputs.themes.climbing import AVERAGES, CIRCLE, EXPECTED, TURNING
from vario.app.outputs.themes.cruising import GOAL, SETTINGS, SPEEDS, WIND
from vario.app.outputs.themes.estimate import ESTIMATE
from vario.app.outputs.themes.position import POSITION
from vario.app.outputs.themes.primary import PRIMARY
from vario.app.outputs.themes.sound import SOUND

TRUTH = "truth_"
"""Prefix of the names of reference values from a simulator that knows the truth."""


@dataclass(frozen=True, slots=True)
class Theme:
    """A group of outputs, with a heading in docs/trace.md."""

    heading: str
    outputs: tuple[Output, ...]


THEMES = (
    Theme("Main values", PRIMARY),
    Theme("Turning", TURNING),
    Theme("Averages", AVERAGES),
    Theme("Lift around the circle", CIRCLE),
    Theme("Expected climb", EXPECTED),
    Theme("Speed to fly", SPEEDS),
    Theme("Goal", GOAL),
    Theme("Settings", SETTINGS),
    Theme("Wind and airspeed sensor", WIND),
    Theme("Needle and sound", SOUND),
    Theme("Position, motion and time", POSITION),
    Theme("Estimator", ESTIMATE),
)

OUTPUTS: dict[str, Output] = {output.name: output for theme in THEMES for output in theme.outputs}

TRACE: tuple[Output, ...] = tuple(output for output in OUTPUTS.values() if output.in_trace)
"""The columns of trace.csv, in order."""

PLOTTED: tuple[Output, ...] = tuple(output for output in OUTPUTS.values() if output.plot is not None)
"""The outputs that the page of a flight draws."""

_BY_REFERENCE = {name: output for output in OUTPUTS.values() for name in output.references}


def output_of(column: str) -> Output:
    """The output with this name. A column of another program is a number, or an angle by its unit."""
    known = OUTPUTS.get(column)
    if known is not None:
        return known
    kind = Kind.ANGLE if column.endswith("_rad") else Kind.NUMBER
    return Output(column, lambda _: None, 3, "", kind)


def output_beside(reference: str) -> Output | None:
    """The output that measures the same quantity as a reference value, by name; None if there is none."""
    named = _BY_REFERENCE.get(reference)
    if named is not None:
        return named
    found = OUTPUTS.get(reference.removeprefix(TRUTH))
    return found if found is not None and found.in_trace and not found.is_text else None
