"""What the catalogue says about one output: its value, its units, how it is shown, and what it means."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum, auto

from hw_replay.messages import unit_of
from vario.flight.reading import Reading

Value = float | str | None
"""One cell of a row. None is no data."""

Getter = Callable[[Reading], Value]


class Kind(Enum):
    """How the values of an output behave."""

    NUMBER = auto()
    ANGLE = auto()
    """Wraps at 2π: a difference is taken the short way round, and a mean is that of the directions."""
    FLAG = auto()
    """0 or 1."""
    COUNT = auto()
    """A whole number that counts something."""
    TEXT = auto()
    """A word, or words joined by "+"."""
    EVENT = auto()
    """Text about something that lasts a moment: in one row only, the first one after it happened."""
    UTC = auto()
    """A time in the recording, written as an instant (ISO 8601) where the recording says when it was made."""


_TEXTS = frozenset({Kind.TEXT, Kind.EVENT, Kind.UTC})


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit that people read.

    Attributes:
        text: how it is written after a number, with the space where one belongs.
        factor: what one SI unit is in it.
    """

    text: str
    factor: float = 1.0


MPS = Unit(" m/s")
KMPH = Unit(" km/h", 3.6)
DEGREES = Unit("°", math.degrees(1.0))
_SHOWN = {"rad": DEGREES, "radps": Unit("°/s", math.degrees(1.0))}
"""By the last part of the name. Others are shown in their SI unit, unless their entry names another."""


def words(values: Iterable[str]) -> str:
    """The words of a text output, for its meaning."""
    return ", ".join(f"`{value}`" for value in values)


@dataclass(frozen=True, slots=True)
class Plot:
    """How the page of a flight draws an output.

    Attributes:
        panel: key of the panel (`vario/app/page/panels.py`).
        label: what the panel calls it.
        ink: colour, by its name in the style sheet of the page.
        width: of the line, pixels.
        dash: lengths of dashes and gaps, pixels; empty: a solid line.
        second_scale: drawn against the compass scale on the right of the panel.
        order: lines of a panel are drawn in this order, those of equal order as in the catalogue.
    """

    panel: str
    label: str
    ink: str
    width: float
    dash: tuple[int, ...] = ()
    second_scale: bool = False
    order: int = 0


@dataclass(frozen=True, slots=True)
class Output:
    """One output of the instrument.

    Attributes:
        name: of the column; ends in the SI unit.
        value_of: gives the value of a reading, in the SI unit.
        decimals: digits after the point in trace.csv.
        meaning: what it is: the text in docs/trace.md.
        kind: how its values behave.
        subject: what a comparison calls it in a sentence; None: a comparison only lists its name.
        shown: the unit that people read it in; None: degrees for angles, otherwise the SI unit.
        shown_decimals: digits after the point in that unit. The page keeps one more.
        plot: how the page draws it; None: the page does not.
        in_trace: whether it is a column of trace.csv, of exports and of the Python interface.
        references: names of reference values that are measured by the same definition. A reference called
            "truth_" and the name of the output needs no entry.
        number_of: with `Kind.EVENT`: a number that changes with each event; None before the first one.
    """

    name: str
    value_of: Getter
    decimals: int
    meaning: str
    kind: Kind = Kind.NUMBER
    subject: str | None = None
    shown: Unit | None = None
    shown_decimals: int = 1
    plot: Plot | None = None
    in_trace: bool = True
    references: tuple[str, ...] = ()
    number_of: Callable[[Reading], int | None] | None = None

    @property
    def is_text(self) -> bool:
        """Whether its values are text."""
        return self.kind in _TEXTS

    @property
    def is_angle(self) -> bool:
        """Whether its values wrap at 2π."""
        return self.kind is Kind.ANGLE

    @property
    def unit(self) -> str:
        """The SI unit; empty for a plain number."""
        return "" if self.is_text else unit_of(self.name)

    @property
    def shown_in(self) -> Unit:
        """The unit that people read it in."""
        if self.shown is not None:
            return self.shown
        unit = _SHOWN.get(self.name.rpartition("_")[2])
        if unit is not None:
            return unit
        return Unit(f" {self.unit}" if self.unit else "")

    @property
    def pattern(self) -> str:
        """How trace.csv writes a value."""
        return "%s" if self.is_text else f"%.{self.decimals}f"

    @property
    def page_name(self) -> str:
        """The name on the page, where values are in the unit shown: without the SI unit at its end."""
        return self.name.rpartition("_")[0] if self.unit else self.name

    @property
    def page_step(self) -> float:
        """The finest difference that the page keeps, in the unit shown."""
        return 10.0 ** -(self.shown_decimals + 1)
