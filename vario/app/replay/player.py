"""Pass samples through the instrument. Live flight and replay share `Player`; tests use `play`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from drivers.events import PilotAction, SettingsChange
from drivers.samples import Sample
from hw_replay.source import RecordingInfo
from vario.app.change.changes import apply_change
from vario.flight.inputs.frames import Framer
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.setup import USUAL_NOISE
from vario.settings.errors import SettingsError
from vario.settings.hardware import LEAST_NOISE_PA, MOST_NOISE_PA
from vario.settings.schema import Settings


def noise_of(settings: Settings, info: RecordingInfo) -> Noise:
    """Noise of a sensor: from the settings, else from the recording, else that of a good small sensor."""

    def one(setting: float | None, channel: str, default: float) -> float:
        if setting is not None:
            return setting
        sensor = info.sensors.get(channel)
        if sensor is None or sensor.noise is None or not LEAST_NOISE_PA <= sensor.noise <= MOST_NOISE_PA:
            return default
        return sensor.noise

    return Noise(
        baro_pa=one(settings.sensors.baro.noise_pa, "baro", USUAL_NOISE.baro_pa),
        pitot_pa=one(settings.sensors.pitot.noise_pa, "pitot", USUAL_NOISE.pitot_pa),
    )


Changed = Callable[[SettingsChange, SettingsError | None], None]
"""Called with a change of settings and its faults; no faults if it was applied."""


class Player:
    """The instrument, fed one sample at a time, as in live flight. `play` feeds it a whole recording."""

    def __init__(self, pipeline: Pipeline, changed: Changed = lambda _change, _error: None) -> None:
        self.pipeline = pipeline
        self._changed = changed
        self._framer = Framer(pipeline.longest_step_s)

    def push(self, sample: Sample) -> Sequence[Reading]:
        """Process one sample; returns the readings of the frames that it completes (mostly none or one).

        A change of settings is in force from the next completed frame. If it is invalid, the old settings
        stay in force, and the readings report it.
        """
        if type(sample) is SettingsChange:
            self._changed(sample, apply_change(sample, self.pipeline))
            return ()
        if type(sample) is PilotAction:
            self.pipeline.act(sample)
            return ()
        frames = self._framer.push(sample)
        return [self.pipeline.step(frame) for frame in frames] if frames else ()

    def close(self) -> list[Reading]:
        """End of the samples: the reading of the last, incomplete frame."""
        readings = [self.pipeline.step(frame) for frame in self._framer.flush()]
        self.pipeline.close()
        return readings


def play(
    samples: Iterable[Sample], pipeline: Pipeline, changed: Changed = lambda _change, _error: None
) -> Iterator[Reading]:
    """Yield a reading for every frame until the samples end."""
    player = Player(pipeline, changed)
    for sample in samples:
        readings = player.push(sample)
        if readings:
            yield from readings
    yield from player.close()
