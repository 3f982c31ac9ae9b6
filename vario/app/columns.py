"""The trace and the reference values of a recording as columns in memory: for comparison and notebooks."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from drivers.samples import Reference
from vario.app.trace import COLUMNS, TEXT_COLUMNS, Pacer, Value
from vario.flight.reading import Reading

Column = NDArray[np.float64] | NDArray[np.str_]


class TraceColumns:
    """Collects the columns of the trace in memory, a row as often as trace.csv has one."""

    def __init__(self, rate_hz: float) -> None:
        self._pacer = Pacer(rate_hz)
        self._values: dict[str, list[Value]] = {name: [] for name in COLUMNS}

    def take(self, reading: Reading) -> None:
        """Keep the reading if a row is due."""
        if self._pacer.due(reading.t_s):
            for name, (value_of, _) in COLUMNS.items():
                self._values[name].append(value_of(reading))

    def columns(self) -> dict[str, Column]:
        """Every column, shape (n,): text, or numbers in which NaN stands for "no data"."""
        return {
            name: np.array(values, dtype=np.str_)
            if name in TEXT_COLUMNS
            else np.array([math.nan if value is None else value for value in values], dtype=np.float64)
            for name, values in self._values.items()
        }


class References:
    """Collects the reference values of a recording: simulated truth, or what another instrument showed."""

    def __init__(self) -> None:
        self._values: dict[str, tuple[list[float], list[float]]] = {}

    def take(self, sample: Reference) -> None:
        """Keep one value."""
        times, values = self._values.setdefault(sample.name, ([], []))
        times.append(sample.t_s)
        values.append(sample.value)

    def columns(self) -> Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
        """Times and values of each reference by its name, both of shape (n,)."""
        return {name: (np.array(times), np.array(values)) for name, (times, values) in self._values.items()}
