"""A recording through the instrument without writing anything: what batch, comparison and notebooks share."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.events import Mark, SettingsChange
from drivers.samples import Reference
from hw_replay.source import Source
from vario.app.player import Player, noise_of
from vario.app.summary import FlightSummary
from vario.app.trace import COLUMNS, TEXT_COLUMNS, Pacer, Value
from vario.flight.pipeline import Pipeline, Reading
from vario.settings.glider import Glider
from vario.settings.schema import Settings

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


def analyse(
    source: Source,
    settings: Settings,
    glider: Glider | None,
    *,
    follow_changes: bool = True,
    reading: Callable[[Reading], None] = lambda _: None,
    reference: Callable[[Reference], None] = lambda _: None,
    progress: Callable[[float], None] = lambda _: None,
) -> dict[str, Any]:
    """Play `source` through the instrument and give the summary of the flight.

    Args:
        source: the recording.
        settings: to fly with.
        glider: to fly.
        follow_changes: whether settings changed in flight, which the recording holds, change here too.
        reading: called with everything the instrument showed.
        reference: called with every reference value of the recording.
        progress: called with the time reached, s.

    Returns:
        What a replay writes into summary.json.

    Raises:
        RecordingError: if the recording cannot be read.
    """
    noise = noise_of(settings, source.info)
    pipeline = Pipeline(settings, glider, noise)
    summary = FlightSummary()
    player = Player(pipeline, summary.change)

    def take(shown: list[Reading]) -> None:
        for one in shown:
            summary.take(one)
            reading(one)
            progress(one.t_s)
        if shown:
            summary.climbs += pipeline.finished_climbs()

    for sample in source:
        if isinstance(sample, Reference):
            summary.compare(sample)
            reference(sample)
        elif isinstance(sample, Mark):
            summary.mark(sample)
        elif isinstance(sample, SettingsChange) and not follow_changes:
            summary.pass_over(sample)
        else:
            take(player.push(sample))
    take(player.close())
    summary.climbs += pipeline.finished_climbs()
    return summary.result(source, glider, noise, pipeline.health)
