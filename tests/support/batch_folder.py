"""Folders of recordings for the tests of `vario batch`, and workers that count."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from drivers.samples import Baro, GnssPos, Sample
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.batch.job import Job, JobResult, run_job


def record(path: Path, seconds: int, sea_level_pa: float = 95_000.0) -> Path:
    """At rest, with a barometer only."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with RecordingWriter(path, RecordingInfo(path.stem, "live")) as writer:
        for i in range(10 * seconds):
            sample: Sample = Baro(i * 0.1, sea_level_pa)
            writer.write(sample)
            if i % 10 == 0:
                writer.write(GnssPos(i * 0.1, 50.0, 10.0, 500.0))
    return path


def recordings_in(path: Path) -> Path:
    """Two flights, one of them in a separate folder, and files that are not recordings."""
    flights = path / "recordings"
    record(flights / "a.mcap", 4)
    record(flights / "2025" / "b.mcap", 6)
    (flights / "c.igc").write_text("this is no flight", encoding="ascii")
    (flights / "empty.csv").touch()
    (flights / "notes.txt").write_text("not a recording and not taken for one", encoding="ascii")
    return flights


class Counting:
    """Workers that run in this process and count their jobs."""

    description = "this process"

    def __init__(self) -> None:
        self.done: list[str] = []

    def run(self, jobs: Sequence[Job]) -> Iterator[JobResult]:
        for job in jobs:
            self.done.append(job.name)
            yield run_job(job)
