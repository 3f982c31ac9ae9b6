"""A recording played once for whoever wants its readings: the page of a flight and the exports."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from drivers.events import Mark
from drivers.samples import Reference, Sample
from hw_replay.open import open_source
from hw_replay.source import Source
from vario.app.player import noise_of, play
from vario.app.summary import FlightSummary
from vario.flight.climbs import Climb
from vario.flight.pipeline import Pipeline, Reading
from vario.settings.glider import Glider
from vario.settings.load import LoadedSettings, load_settings, parse_settings
from vario.settings.schema import Settings


def opened(file: Path, config: Path | None) -> tuple[Source, LoadedSettings]:
    """A recording and its settings: those the user names, else those it carries, else the defaults."""
    source = open_source(file)
    if config is not None:
        return source, load_settings(config)
    carried, glider = source.info.config_toml or "", source.info.glider_toml
    return source, parse_settings(carried, f"settings in {file}", glider, f"glider in {file}")


class Passage:
    """Iterating plays the recording; afterwards `summary()` tells of the flight.

    Memory does not grow with the length of the flight.

    Args:
        source: the recording.
        settings: in force at its beginning.
        glider: None: no netto and no speed to fly.
    """

    def __init__(self, source: Source, settings: Settings, glider: Glider | None) -> None:
        self.source = source
        self.glider = glider
        self.noise = noise_of(settings, source.info)
        self._pipeline = Pipeline(settings, glider, self.noise)
        self._summary = FlightSummary()
        self._progress: Callable[[float], None] = lambda _: None

    def watch(self, progress: Callable[[float], None]) -> None:
        """From now on call `progress` with the time reached, s."""
        self._progress = progress

    def __iter__(self) -> Iterator[Reading]:
        summary, pipeline = self._summary, self._pipeline
        for reading in play(self._samples(), pipeline, summary.change):
            summary.take(reading)
            summary.climbs += pipeline.finished_climbs()
            self._progress(reading.t_s)
            yield reading
        summary.climbs += pipeline.finished_climbs()

    def climbs(self) -> list[Climb]:
        """The climbs so far, in order."""
        return list(self._summary.climbs)

    def summary(self) -> dict[str, Any]:
        """The flight in numbers, as in summary.json."""
        return self._summary.result(self.source, self.glider, self.noise, self._pipeline.health)

    def _samples(self) -> Iterator[Sample]:
        """The samples for the instrument; references and marks go to the summary instead."""
        for sample in self.source:
            if isinstance(sample, Reference):
                self._summary.compare(sample)
            elif isinstance(sample, Mark):
                self._summary.mark(sample)
            else:
                yield sample
