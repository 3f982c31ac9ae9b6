"""Generate the page on state machines from the tables.

python -m tests.documents.state_machines > docs/state-machines.md
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Sequence
from typing import Any

from vario.flight.core.state_table import Transition
from vario.flight.cruise import expected_climb, glide, turbulence
from vario.flight.motion import mode
from vario.flight.thermal import centring, climbs, leave
from vario.flight.tone import circle_bells, slow_turn

Row = Transition[Any, Any]

TABLES: Sequence[tuple[str, str, Sequence[Row]]] = (
    (
        "Flight mode",
        "What the glider is doing (`vario/flight/motion/mode.py`). Keys: `[circling]`.",
        mode.TRANSITIONS,
    ),
    (
        "Bells of circling and cruise",
        "Whether circling counts as ended for the bells (`vario/flight/tone/circle_bells.py`).",
        circle_bells.TRANSITIONS,
    ),
    (
        "Climb",
        "Which turns belong to one climb (`vario/flight/thermal/climbs.py`). Keys: `[circling]`.",
        climbs.TRANSITIONS,
    ),
    (
        "Centring cue",
        "The cue is given on entering `given` (`vario/flight/thermal/centring.py`). Keys: `[centring]`.",
        centring.TRANSITIONS,
    ),
    (
        "Turn advice",
        "Whether turning is worthwhile (`vario/flight/cruise/expected_climb.py`).",
        expected_climb.TRANSITIONS,
    ),
    (
        "Speed in the turn",
        "Whether the airspeed suits the bank (`vario/flight/tone/slow_turn.py`). Key: `slow_advice`.",
        slow_turn.TRANSITIONS,
    ),
    (
        "Arrival",
        "Whether the glide to the goal is made (`vario/flight/cruise/glide.py`). Keys: `[goal]`.",
        glide.TRANSITIONS,
    ),
    (
        "Leaving",
        "Whether a climb is too weak to stay (`vario/flight/thermal/leave.py`).",
        leave.TRANSITIONS,
    ),
    (
        "Turbulence",
        "Whether the rough-air speed limits the command (`vario/flight/cruise/turbulence.py`).",
        turbulence.TRANSITIONS,
    ),
)

INTRODUCTION = """# State machines

Each state machine of the flight logic is a table of transitions. In each frame the instrument tests the
transitions from the present state in the order of the table. It takes the first one whose condition has been
true continuously for the given time. Without a time, the transition is immediate.

This page is generated: `python -m tests.documents.state_machines > docs/state-machines.md`."""


def state_machines() -> str:
    """The page."""
    parts = [INTRODUCTION]
    for title, text, rows in TABLES:
        parts += [f"## {title}", text, diagram(rows), table(rows)]
    return "\n\n".join(parts) + "\n"


def diagram(rows: Sequence[Row]) -> str:
    """A table as a Mermaid state diagram."""
    lines = ["```mermaid", "stateDiagram-v2", f"    [*] --> {_name(rows[0].start)}"]
    for row in rows:
        lines.append(f"    {_name(row.start)} --> {_name(row.end)}: {_words(row.guard)}")
    return "\n".join([*lines, "```"])


def table(rows: Sequence[Row]) -> str:
    """A table as a Markdown table, with the conditions in words."""
    lines = ["| from | to | when | for |", "|---|---|---|---|"]
    for row in rows:
        hold_s = row.hold_s
        held = _sentence(hold_s) if callable(hold_s) else f"{hold_s:g} s" if hold_s else ""
        lines.append(f"| {_name(row.start)} | {_name(row.end)} | {_sentence(row.guard)} | {held} |")
    return "\n".join(lines)


def _name(state: Any) -> str:
    return str(state.name).lower()


def _words(function: Any) -> str:
    return str(function.__name__).replace("_", " ")


def _sentence(function: Any) -> str:
    text = inspect.getdoc(function)
    if not text:
        raise ValueError(f"{function.__name__}: expected a docstring with the condition in words")
    return " ".join(text.split()).removesuffix(".")


if __name__ == "__main__":
    sys.stdout.write(state_machines())
