"""The one collector: columns of outputs in memory, for comparisons, notebooks, pictures, page and exports."""

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
    """Collects outputs as columns, a row as often as asked.

    Args:
        outputs: the columns.
        rate_hz: rows a second.
        start_utc: the instant at `t_s` = 0, if known.
        most_rows: when there are so many, every second one goes, and from then on only every second is
            kept. Memory is bounded then; an event in a row that goes is gone. None: no bound.
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
        """Forget all rows so far."""
        self._numbers = {output.name: array("d") for output in self._outputs if not output.is_text}
        self._texts: dict[str, list[str]] = {output.name: [] for output in self._outputs if output.is_text}
        self._count = 0

    def __len__(self) -> int:
        """The number of rows."""
        return self._count

    def take(self, reading: Reading) -> bool:
        """Look at every reading here. Returns whether a row was kept."""
        values = self._sampler.take(reading)
        return values is not None and self.keep(values)

    def keep(self, values: Sequence[Value]) -> bool:
        """Keep the values of one row, in the order of the outputs; returns whether they were kept."""
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
        """Set numbers of further columns in the row kept last; where not set, they are unknown (NaN)."""
        for name, value in values.items():
            column = self._numbers.setdefault(name, array("d"))
            column.extend([math.nan] * (self._count - len(column)))
            column[-1] = value

    def finish(self) -> None:
        """After the last reading: keep one more row, if an event has come since the last one."""
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
        """Every column, shape (n,): text, or numbers in which NaN stands for "no data"."""
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
