"""Play a recording once and give its readings: for replay, batch, comparison, page and notebooks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivers.events import Mark, SettingsChange
from drivers.samples import Reference, Sample
from hw_replay.open import open_source
from hw_replay.source import Source
from vario.app.config.in_force import overrides_of, settings_in_force, with_overrides
from vario.app.outputs.sensor_watch import PressureCheck
from vario.app.outputs.summary import FlightSummary
from vario.app.replay.flying_speed import learned_flying_mps
from vario.app.replay.player import Player, noise_of
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.thermal.climbs import Climb
from vario.settings.display import DisplayUnits
from vario.settings.document import differing
from vario.settings.glider import Glider
from vario.settings.load import LoadedSettings
from vario.settings.renamed import text_with_new_names
from vario.settings.schema import Settings

if TYPE_CHECKING:
    from vario.app.hindsight.hindsight import Hindsight

IMPORTED = "imported"
"""How the origin of a file of another program begins."""

_EVENTS = frozenset({Reference, Mark, SettingsChange})
"""Events that are not readings of a sensor."""


def opened(file: Path, config: Path | None, overrides: Sequence[str] = ()) -> tuple[Source, LoadedSettings]:
    """A recording, and its settings: `config`, otherwise those in the recording, otherwise the defaults.

    `overrides` are values to apply over them, each KEY=VALUE.

    Raises:
        RecordingError: if the recording cannot be read.
        SettingsError: lists all faults in the settings.
    """
    source, given = open_source(file), overrides_of(overrides)
    loaded = settings_in_force(source.info, file, config, given)
    return with_overrides(source, given, loaded), loaded


class ReplaySession:
    """Iterating plays the recording. After that, `summary()` gives the summary of the flight.

    Memory does not grow with the length of the flight.

    Args:
        source: the recording.
        settings: in force at its beginning.
        glider: None: no netto and no speed to fly.
        follow_changes: whether changes of settings in the recording are applied.
        reference: called with every reference value of the recording.
        progress: called with the present time in s.
        hindsight: collects the flight; its difference from the live vario is then in the summary.
    """

    def __init__(
        self,
        source: Source,
        settings: Settings,
        glider: Glider | None,
        *,
        follow_changes: bool = True,
        reference: Callable[[Reference], None] = lambda _: None,
        progress: Callable[[float], None] = lambda _: None,
        hindsight: Hindsight | None = None,
    ) -> None:
        self.source = source
        self.glider = glider
        self._settings = settings
        self.noise = noise_of(settings, source.info)
        step_s = source.info.longest_step_s or 0.0
        learned_mps = _learned_flying_mps(source, settings, glider)
        self._pipeline = Pipeline(settings, glider, self.noise, step_s, learned_mps)
        self._summary = FlightSummary(DisplayUnits(settings.display))
        self._follow_changes = follow_changes
        self._reference = reference
        self._progress = progress
        self._sensors = PressureCheck(self.noise, settings.sensors.pitot.offset_pa)
        self._hindsight = hindsight
        if hindsight is not None:
            self._pipeline.watch_corrections(hindsight.corrected)

    def __iter__(self) -> Iterator[Reading]:
        """Yield a reading for every frame. Climbs that end with the frame are in `climbs` by then.

        Raises:
            RecordingError: if reading the recording fails.
        """
        summary, pipeline = self._summary, self._pipeline
        player = Player(pipeline, summary.change)
        for sample in self.source:
            passed = self._for_the_instrument(sample) if type(sample) in _EVENTS else sample
            if passed is None:
                continue
            self._sensors.take(passed)
            for reading in player.push(passed):
                self._note(reading)
                yield reading
        for reading in player.close():
            self._note(reading)
            yield reading
        summary.climbs += pipeline.finished_climbs()

    @property
    def climbs(self) -> Sequence[Climb]:
        """The climbs so far, in order."""
        return self._summary.climbs

    def summary(self) -> dict[str, Any]:
        """The content of summary.json, with the settings at the beginning.

        `hindsight` is present if the session has one: the difference of the live vario from it, or None if
        there is too little flight. `settings` contains the settings that differ from their defaults: dotted
        key → value as in a settings file.
        """
        pipeline = self._pipeline
        found = self._summary.result(
            self.source, self.glider, self.noise, pipeline.health, pipeline.flying_speed
        )
        found["warnings"] += self._sensors.warnings()
        if self._hindsight is not None:
            found["hindsight"] = self._hindsight.summary()
            for flight in found["flights"]:
                flight["hindsight"] = self._hindsight.summary(flight["begin_s"], flight["end_s"])
        return {**found, "settings": differing(self._settings)}

    def _note(self, reading: Reading) -> None:
        self._summary.take(reading)
        if self._hindsight is not None:
            self._hindsight.take(reading)
        self._summary.climbs += self._pipeline.finished_climbs()
        self._progress(reading.t_s)

    def _for_the_instrument(self, sample: Sample) -> Sample | None:
        """Handle an event that is not a reading; returns what the instrument takes of it."""
        if isinstance(sample, Reference):
            self._summary.compare(sample)
            self._reference(sample)
            return None
        if isinstance(sample, Mark):
            self._summary.mark(sample)
            return None
        if not isinstance(sample, SettingsChange):
            return sample
        if not self._follow_changes:
            self._summary.pass_over(sample)
            return None
        return replace(sample, settings_toml=text_with_new_names(sample.settings_toml))


def _learned_flying_mps(source: Source, settings: Settings, glider: Glider | None) -> float | None:
    """The flying speed of an imported file, if neither the settings nor a glider file state it.

    Not of a recording of this instrument: its replay must give what the instrument gave in flight.
    """
    known = glider is not None or settings.flight.flying_speed_mps is not None
    if known or not source.info.origin.startswith(IMPORTED):
        return None
    return learned_flying_mps(source)
