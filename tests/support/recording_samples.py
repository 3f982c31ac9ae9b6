"""Samples and recordings for tests."""

import io
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from mcap.records import Chunk
from mcap.stream_reader import StreamReader

from drivers.samples import Baro, GnssVel, ImuAccel, Reference, Sample
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.writer import RecordingWriter

INFO = RecordingInfo(
    title="Test flight",
    origin="simulated",
    start_utc=datetime(2024, 5, 1, 10, 30, tzinfo=UTC),
    sensors={"baro": SensorInfo("invented", 25.0, 1.5, 0.02), "pitot": SensorInfo("unknown")},
    config_toml='[vario]\ndamping = "1 s"\n',
    glider_toml='name = "Invented – ü"\n',
)


def write(path: Path, samples: Iterable[Sample], info: RecordingInfo = INFO, chunk_s: float = 2.0) -> Path:
    with RecordingWriter(path, info, chunk_s) as writer:
        for sample in samples:
            writer.write(sample)
    return path


def flight(seconds: int) -> list[Sample]:
    """A few channels at a few rates."""
    samples: list[Sample] = []
    for tick in range(seconds * 10):
        t_s = tick / 10
        samples.append(Baro(t_s, 90_000.0 + tick / 7))
        samples.append(ImuAccel(t_s, 0.1, -0.2, -9.81 + tick / 1000))
        if tick % 10 == 0:
            samples.append(GnssVel(t_s, 1.0, 2.0, None if tick % 20 else -0.5))
            samples.append(Reference(t_s, "truth_vario_mps", tick / 3))
    return samples


def chunk_ends(data: bytes) -> list[int]:
    """File offsets behind each chunk, found with the library."""
    stream = io.BytesIO(data)
    return [
        stream.tell()
        for record in StreamReader(stream, emit_chunks=True).records
        if isinstance(record, Chunk)
    ]
