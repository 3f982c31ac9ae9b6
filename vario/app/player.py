"""Samples through the instrument: the loop that replay and tests share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from drivers.samples import Sample
from hw_replay.source import RecordingInfo
from vario.flight.energy import Noise
from vario.flight.frames import Framer
from vario.flight.pipeline import Pipeline, Reading
from vario.settings.schema import Settings

BARO_NOISE_PA = 1.5
PITOT_NOISE_PA = 1.0


def noise_of(settings: Settings, info: RecordingInfo) -> Noise:
    """Sensor noise: as set, else as the recording states, else that of a good small sensor."""

    def one(setting: float | None, channel: str, default: float) -> float:
        if setting is not None:
            return setting
        sensor = info.sensors.get(channel)
        return sensor.noise if sensor is not None and sensor.noise else default

    return Noise(
        baro_pa=one(settings.sensors.baro.noise_pa, "baro", BARO_NOISE_PA),
        pitot_pa=one(settings.sensors.pitot.noise_pa, "pitot", PITOT_NOISE_PA),
    )


def play(samples: Iterable[Sample], pipeline: Pipeline) -> Iterator[Reading]:
    """Yield a reading for every frame, to the end of the samples."""
    framer = Framer()
    for sample in samples:
        for frame in framer.push(sample):
            yield pipeline.step(frame)
    for frame in framer.flush():
        yield pipeline.step(frame)
    pipeline.close()
