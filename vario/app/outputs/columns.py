"""Collect columns of outputs in memory, for comparisons, notebooks, pictures, page and exports."""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping, Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from vario.app.outputs.output import Output, Value
from vario.app.outputs.sampler import Sampler
from vario.flight.reading import Reading

Column = NDArray[np.float64] | NDArray[np.str_]


class Columns:
    """Collects outputs as columns at a given rate.

    Args:
        outputs: the columns.
        rate_hz: rows per second.
        start_utc: the time of `t_s` = 0; None: unknown.
        most_rows: at this number of rows, every second row is dropped and the rate is halved, so
            memory is bounded. Events in a dropped row are lost. None: no limit.
    """

    def __init__(
        self,
        outputs: Sequence[Output],
        rate_hz: float,
        start_utc: datetime | None = None,
        most_rows: int | None = None,
    ) -> None:
        self._sampler = Sampler(outputs, rate_hz, start_utc)
        self._outputs = tuple(outputs)
        self._names = [output.name for output in outputs]
        self._most_rows = most_rows
        self._stride = 1
        self._passed = 0
        self.clear()

    def clear(self) -> None:
        """Remove all rows."""
        self._numbers = {output.name: array("d") for output in self._outputs if not output.is_text}
        self._texts: dict[str, list[str]] = {output.name: [] for output in self._outputs if output.is_text}
        self._count = 0

    def __len__(self) -> int:
        """The number of rows."""
        return self._count

    def take(self, reading: Reading) -> bool:
        """Call this with every reading. Returns whether a row was added."""
        values = self._sampler.take(reading)
        return values is not None and self.keep(values)

    def keep(self, values: Sequence[Value]) -> bool:
        """Add the values of one row, in the order of the outputs; returns whether they were added."""
        if self._most_rows is not None:
            self._passed += 1
            if self._passed < self._stride:
                return False
            self._passed = 0
            if self._count >= self._most_rows:
                self._halve()
        numbers, texts = self._numbers, self._texts
        for name, value in zip(self._names, values, strict=True):
            if name in texts:
                texts[name].append("" if value is None else str(value))
            else:
                numbers[name].append(math.nan if value is None else float(value))
        self._count += 1
        return True

    def note(self, values: Mapping[str, float]) -> None:
        """Set values of additional columns in the last row; without a value they are unknown (NaN)."""
        for name, value in values.items():
            column = self._numbers.setdefault(name, array("d"))
            column.extend([math.nan] * (self._count - len(column)))
            column[-1] = value

    def finish(self) -> None:
        """Call this after the last reading: adds a row if an event has occurred since the last row."""
        values = self._sampler.rest()
        if values is not None:
            self.keep(values)

    def _halve(self) -> None:
        for name, column in self._numbers.items():
            column.extend([math.nan] * (self._count - len(column)))
            self._numbers[name] = column[::2]
        self._texts = {name: column[::2] for name, column in self._texts.items()}
        self._count = (self._count + 1) // 2
        self._stride *= 2

    def columns(self) -> dict[str, Column]:
        """All columns, shape (n,): text, or numbers with NaN for "no data"."""
        self.finish()
        found: dict[str, Column] = {}
        for name in (*self._names, *(name for name in self._numbers if name not in self._names)):
            if name in self._texts:
                found[name] = np.array(self._texts[name], dtype=np.str_)
            else:
                column = self._numbers[name]
                column.extend([math.nan] * (self._count - len(column)))
                found[name] = np.array(column, dtype=np.float64)
        return found
