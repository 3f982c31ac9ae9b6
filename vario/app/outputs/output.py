"""The description of an output in the catalogue: value, units, presentation and meaning."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from enum import Enum, auto

from drivers.quick import dataclass
from hw_replay.messages import unit_of
from vario.flight.reading import Reading
from vario.settings.display import DisplayUnits, Measure, Unit

Value = float | str | None
"""One cell of a row. None is no data."""

Getter = Callable[[Reading], Value]


class Kind(Enum):
    """How the values of an output behave."""

    NUMBER = auto()
    ANGLE = auto()
    """Wraps at 2π: differences are the shortest ones, and means are those of the directions."""
    FLAG = auto()
    """0 or 1."""
    COUNT = auto()
    """A whole number that counts something."""
    TEXT = auto()
    """A word, or several words joined by "+"."""
    EVENT = auto()
    """Text about an event: only in one row, the first one after the event."""
    UTC = auto()
    """A time in the recording, written as a date and time (ISO 8601) if the recording contains its start
    time.
    """


_TEXTS = frozenset({Kind.TEXT, Kind.EVENT, Kind.UTC})


DEGREES = Unit("°", math.degrees(1.0))
_SHOWN = {"rad": DEGREES, "radps": Unit("°/s", math.degrees(1.0))}
"""Display units by the last part of the name, for outputs whose unit cannot be chosen."""


def words(values: Iterable[str]) -> str:
    """The words of a text output, for its meaning."""
    return ", ".join(f"`{value}`" for value in values)


@dataclass(frozen=True, slots=True)
class Plot:
    """How the page of a flight draws an output.

    Attributes:
        panel: key of the panel (`vario/app/page/panels.py`).
        label: label in the panel.
        ink: colour, by its name in the style sheet of the page.
        width: line width in pixels.
        dash: lengths of dashes and gaps in pixels; empty: a solid line.
        second_scale: drawn against the compass scale on the right of the panel.
        order: lines of a panel are drawn in this order; with equal order, in the order of the
            catalogue.
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
        name: name of the column; ends in the SI unit.
        value_of: function that gives the value of a reading in the SI unit.
        decimals: digits after the point in trace.csv.
        meaning: the description in docs/trace.md.
        kind: how its values behave.
        measure: what it measures, which selects the display unit; None: degrees for angles, otherwise the
            SI unit.
        shown_decimals: digits after the point in the display unit; None: the usual ones of the unit. The
            page keeps one more.
        plot: how the page draws it; None: not drawn.
        in_trace: whether it is a column of trace.csv, of exports and of the Python interface.
        references: names of reference values with the same definition. A reference named "truth_"
            plus the name of the output needs no entry.
        number_of: with `Kind.EVENT`: a number that changes with each event; None before the first
            one.
    """

    name: str
    value_of: Getter
    decimals: int
    meaning: str
    kind: Kind = Kind.NUMBER
    measure: Measure | None = None
    shown_decimals: int | None = None
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

    def shown_in(self, units: DisplayUnits) -> Unit:
        """The display unit."""
        if self.measure is not None:
            return units.of(self.measure)
        unit = _SHOWN.get(self.name.rpartition("_")[2])
        if unit is not None:
            return unit
        return Unit(f" {self.unit}" if self.unit else "")

    @property
    def pattern(self) -> str:
        """Format of a value in trace.csv."""
        return "%s" if self.is_text else f"%.{self.decimals}f"

    @property
    def page_name(self) -> str:
        """The name in the page, where values are in the display unit: without the SI unit at its end."""
        return self.name.rpartition("_")[0] if self.unit else self.name

    def decimals_in(self, units: DisplayUnits) -> int:
        """Digits after the point in the display unit."""
        return self.shown_in(units).decimals if self.shown_decimals is None else self.shown_decimals

    def page_step(self, units: DisplayUnits) -> float:
        """The finest difference that the page keeps, in the display unit."""
        return 10.0 ** -(self.decimals_in(units) + 1)
