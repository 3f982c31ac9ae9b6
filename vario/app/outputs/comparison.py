"""Compute the errors of an output against the reference values of a recording."""

from __future__ import annotations

import math
from typing import Any

from vario.app.outputs.angles import difference_rad, mean_of_sums_rad
from vario.app.outputs.output import Output
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading

FREE_FLIGHT = (Mode.CRUISE.value, Mode.CIRCLING.value)
"""The modes in which vario and netto are used. On the approach, open airbrakes read as sink of the air."""

AIRBRAKES = "truth_airbrakes"
"""Reference of a simulation: 0 closed, 1 open. Time with open airbrakes before the approach is apart too."""

WITH_AIRBRAKES = "with airbrakes"


class _Mean:
    """A running mean; of angles the mean direction."""

    def __init__(self, *, angle: bool) -> None:
        self._angle = angle
        self._count = 0
        self._sum = self._cosines = 0.0

    def add(self, value: float) -> None:
        self._count += 1
        if self._angle:
            self._sum += math.sin(value)
            self._cosines += math.cos(value)
        else:
            self._sum += value

    def join(self, later: _Mean) -> None:
        """Add the values of another one."""
        self._count += later._count
        self._sum += later._sum
        self._cosines += later._cosines

    def result(self) -> float | None:
        """The mean; None without values, or if the mean direction is undefined."""
        if not self._count:
            return None
        if self._angle:
            mean = mean_of_sums_rad(self._sum, self._cosines, self._count)
        else:
            mean = self._sum / self._count
        return None if mean is None else round(mean, 4)


class ReferenceComparison:
    """Running statistics of one reference against the output that measures the same."""

    def __init__(self, output: Output) -> None:
        self.output = output
        self._is_angle = output.is_angle
        self._values = 0
        self._pairs = 0
        self._squares = 0.0
        self._by_mode: dict[str, tuple[int, float]] = {}
        self._mode: Mode | None = None
        self._mode_name = ""
        self._circling_reference = _Mean(angle=output.is_angle)
        self._circling_own = _Mean(angle=output.is_angle)

    def add(self, reference: float, reading: Reading, *, airbrakes: bool = False) -> None:
        """A value of the reference and the reading of that time, and whether the airbrakes were open."""
        self._values += 1
        own = self.output.value_of(reading)
        if not isinstance(own, float):
            return
        difference = difference_rad(own, reference) if self._is_angle else own - reference
        self._pairs += 1
        self._squares += difference * difference
        if reading.mode is not self._mode:
            self._mode, self._mode_name = reading.mode, reading.mode.value
        mode = self._mode_name
        if airbrakes and mode in FREE_FLIGHT:
            mode = WITH_AIRBRAKES
        pairs, squares = self._by_mode.get(mode, (0, 0.0))
        self._by_mode[mode] = pairs + 1, squares + difference * difference
        if reading.mode is Mode.CIRCLING:
            self._circling_reference.add(reference)
            self._circling_own.add(own)

    def join(self, later: ReferenceComparison) -> None:
        """Add the values of another comparison with the same output."""
        self._values += later._values
        self._pairs += later._pairs
        self._squares += later._squares
        for mode, (more, larger) in later._by_mode.items():
            pairs, squares = self._by_mode.get(mode, (0, 0.0))
            self._by_mode[mode] = pairs + more, squares + larger
        self._circling_reference.join(later._circling_reference)
        self._circling_own.join(later._circling_own)

    def result(self) -> dict[str, Any]:
        """As in summary.json."""
        column = self.output.name
        found: dict[str, Any] = {"values": self._values, "beside": column, "compared": self._pairs}
        if self._pairs:
            found["rms_difference"] = round(math.sqrt(self._squares / self._pairs), 4)
            in_flight = [self._by_mode[mode] for mode in FREE_FLIGHT if mode in self._by_mode]
            if in_flight:
                pairs, squares = (sum(parts) for parts in zip(*in_flight, strict=True))
                found["rms_free_flight"] = round(math.sqrt(squares / pairs), 4)
            found["rms_by_mode"] = {
                mode: round(math.sqrt(squares / pairs), 4) for mode, (pairs, squares) in self._by_mode.items()
            }
        means = self._circling_reference.result(), self._circling_own.result()
        if means[0] is not None and means[1] is not None:
            found["mean_circling"], found[f"{column}_mean_circling"] = means
        return found
