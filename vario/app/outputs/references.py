"""The reference values of a recording: simulated truth, or the values of another instrument."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from drivers.samples import Reference


class References:
    """Collects the reference values of a recording."""

    def __init__(self) -> None:
        self._values: dict[str, tuple[list[float], list[float]]] = {}

    def take(self, sample: Reference) -> None:
        """Add one value."""
        times, values = self._values.setdefault(sample.name, ([], []))
        times.append(sample.t_s)
        values.append(sample.value)

    def columns(self) -> Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
        """Times and values of each reference by name, both of shape (n,)."""
        return {name: (np.array(times), np.array(values)) for name, (times, values) in self._values.items()}
