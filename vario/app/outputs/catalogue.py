"""Every output of the instrument, once. Trace, page, comparisons, exports and docs/trace.md are made from it.

The entries stand in `vario/app/outputs/themes/`; a new one goes at the end of its theme there.
"""

from __future__ import annotations

from dataclasses import dataclass

from vario.app.outputs.output import Kind, Output
from vario.app.outputs.themes.climbing import AVERAGES, CIRCLE, EXPECTED, TURNING
from vario.app.outputs.themes.cruising import GOAL, SETTINGS, SPEEDS, WIND
from vario.app.outputs.themes.estimate import ESTIMATE
from vario.app.outputs.themes.position import POSITION
from vario.app.outputs.themes.primary import PRIMARY
from vario.app.outputs.themes.sound import SOUND

TRUTH = "truth_"
"""The name of a reference value begins with this where a simulator knows the truth."""


@dataclass(frozen=True, slots=True)
class Theme:
    """Outputs that belong together, under a heading of docs/trace.md."""

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
"""What the page of a flight draws."""

_BY_REFERENCE = {name: output for output in TRACE for name in output.references}


def output_of(column: str) -> Output:
    """The output of this name. A column of another program is taken for a number, or an angle by its unit."""
    known = OUTPUTS.get(column)
    if known is not None:
        return known
    kind = Kind.ANGLE if column.endswith("_rad") else Kind.NUMBER
    return Output(column, lambda _: None, 3, "", kind)


def output_beside(reference: str) -> Output | None:
    """The output that measures the same as a reference value, by its name; None if there is none."""
    found = _BY_REFERENCE.get(reference) or OUTPUTS.get(reference.removeprefix(TRUTH))
    return found if found is not None and found.in_trace and not found.is_text else None
