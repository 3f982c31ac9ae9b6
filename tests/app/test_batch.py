"""Replay of many recordings: tables, isolated failures, repeated runs that replay only new files, and a
cluster.
"""

from __future__ import annotations

import csv
import json
import os
import select
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from drivers.samples import Baro, GnssPos, Sample
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support import missing
from vario.app.batch.batch import (
    CLIMB_COLUMNS,
    FLIGHT_COLUMNS,
    climb_rows,
    find_jobs,
    flight_rows,
    run_batch,
)
from vario.app.batch.job import Job, JobResult, Settled, fingerprint, run_job
from vario.app.batch.tables import Format, write_table
from vario.app.batch.workers import CRASHED, Cluster, Processes
from vario.app.cli import main
from vario.app.errors import AppError

FORMATS: tuple[Format, ...] = ("csv", "parquet")


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


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two flights, one of them in a separate folder, and two files that are not recordings."""
    flights = tmp_path / "recordings"
    record(flights / "a.mcap", 4)
    record(flights / "2025" / "b.mcap", 6)
    (flights / "c.igc").write_text("this is no flight", encoding="ascii")
    (flights / "empty.csv").touch()
    (flights / "notes.txt").write_text("not a recording and not taken for one", encoding="ascii")
    return flights


@pytest.mark.parametrize("processes", ["1", pytest.param("2", marks=pytest.mark.long)])
def test_tables_failures_and_exit_code(
    processes: str, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["batch", str(folder), "--out", str(out), "--jobs", processes]) == 1
    flights = table(out / "flights.csv")
    assert [row["file"] for row in flights] == ["2025/b.mcap", "a.mcap"]
    assert [float(row["duration_s"]) for row in flights] == pytest.approx([5.9, 3.9], abs=0.05)
    assert flights[0]["takeoff_s"] == ""  # an unknown value is empty, not zero
    assert table(out / "climbs.csv") == []
    failures = {row["file"]: row["failure"] for row in table(out / "failures.csv")}
    assert failures.keys() == {"c.igc", "empty.csv"}
    assert "expected" in failures["c.igc"]
    said = capsys.readouterr().out
    assert "2 flights, 0:10 in all, 0 climbs" in said
    assert "failed: empty.csv: " in said
    summary = json.loads((out / "flights" / "2025" / "b.mcap.json").read_text(encoding="utf-8"))["summary"]
    assert summary["title"] == "b"


def igc(minutes: int) -> str:
    """A file whose time counts from midnight, as in all FAI/IGC files."""
    fixes = (
        f"B10{second // 60:02}{second % 60:02}50{second // 2:02}{second % 2 * 500:03}N00600000EA0050000560"
        for second in range(minutes * 60)
    )
    return "\r\n".join(["AXXX001test", "HFDTE160710", *fixes, ""])


def hops() -> list[str]:
    """Three minutes at rest and four of flight, twice; in flight the height falls by 1.2 m a second."""
    fixes, north, height = [], 0.0, 1500.0
    for second in range(840):
        flies = second % 420 >= 180
        north += 20.0 * flies / 111_200.0 * 60.0
        height -= 1.2 * flies
        lat = f"50{int(north):02}{round(north % 1 * 1000) % 1000:03}N"
        clock_text = f"10{second // 60:02}{second % 60:02}"
        fixes.append(f"B{clock_text}{lat}00600000EA{round(height):05}{round(height):05}")
    return fixes


@pytest.mark.long
def test_each_flight_of_a_file_has_a_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "in").mkdir()
    text = "\r\n".join(["AXXX001test", "HFDTE160710", *hops(), ""])
    (tmp_path / "in" / "a.igc").write_text(text, encoding="ascii")
    record(tmp_path / "in" / "b.mcap", 4)
    assert main(["batch", str(tmp_path / "in"), "--out", str(tmp_path / "out"), "--jobs", "1"]) == 0
    rows = table(tmp_path / "out" / "flights.csv")
    assert [(row["file"], row["flight"], row["flights"]) for row in rows] == [
        ("a.igc", "1", "2"),
        ("a.igc", "2", "2"),
        ("b.mcap", "1", "0"),
    ]
    for row, minute in zip(rows[:2], (3, 10), strict=True):
        assert row["start_utc"] == row["takeoff_utc"]
        assert row["takeoff_utc"].startswith(f"2010-07-16T10:{minute:02}:")
        assert float(row["duration_s"]) == pytest.approx(240.0, abs=30.0)
    assert float(rows[0]["lowest_m"]) == pytest.approx(1212.0, abs=5.0)
    assert float(rows[1]["highest_m"]) == pytest.approx(1212.0, abs=5.0)
    assert "3 flights" in capsys.readouterr().out


def test_logs_of_other_programs_are_found_and_other_texts_are_not(tmp_path: Path) -> None:
    """A checksum is the exclusive or of the characters between $ and * (NMEA 0183)."""
    sentence = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
    for name, text in {
        "a.nmea": sentence,
        "b.log": sentence,
        "c.txt": sentence,
        "d.log": "started\n",
        "e.txt": "shopping",
        "f.ulg": "",
        "g.bin": "",
        "h.ubx": "",
        "i.csv": "time,pressure\n",
        "j.csv.toml": "",
    }.items():
        (tmp_path / name).write_text(text, encoding="ascii", newline="")
    found = [job.name for job in find_jobs(tmp_path, None)]
    assert found == ["a.nmea", "b.log", "c.txt", "f.ulg", "g.bin", "h.ubx", "i.csv"]


class Counting:
    """Workers that run in this process and count their jobs."""

    description = "this process"

    def __init__(self) -> None:
        self.done: list[str] = []

    def run(self, jobs: Sequence[Job]) -> Iterator[JobResult]:
        for job in jobs:
            self.done.append(job.name)
            yield run_job(job)


def test_the_tables_say_when_a_flight_began_and_how_long_it_was(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.igc").write_text(igc(1), encoding="ascii")
    (flight,) = flight_rows(run_batch(find_jobs(tmp_path / "in", None), tmp_path / "out", Counting))
    assert flight["start_utc"] == "2010-07-16T10:00:00+00:00"  # not midnight, where t_s is 0
    assert flight["duration_s"] == pytest.approx(59.0, abs=1.0)


def test_only_what_is_new_or_changed_is_done_again(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"

    def done() -> list[str]:
        workers = Counting()
        run_batch(find_jobs(folder, None), out, lambda: workers)
        return sorted(workers.done)

    assert done() == ["2025/b.mcap", "a.mcap", "c.igc", "empty.csv"]
    assert done() == ["c.igc", "empty.csv"]  # a failed recording is tried again
    os.utime(folder / "a.mcap", (1e9, 1e9))
    assert done() == ["c.igc", "empty.csv"]  # touched, not changed
    record(folder / "a.mcap", 4, 94_000.0)
    record(folder / "d.mcap", 2)
    assert done() == ["a.mcap", "c.igc", "d.mcap", "empty.csv"]
    # A result that a power failure has truncated is ignored.
    kept = out / "flights" / "d.mcap.json"
    kept.write_bytes(kept.read_bytes()[:100])
    assert done() == ["c.igc", "d.mcap", "empty.csv"]


def test_a_stopped_batch_keeps_what_it_has(folder: Path, tmp_path: Path) -> None:
    class Stopped(Counting):
        def run(self, jobs: Sequence[Job]) -> Iterator[JobResult]:
            yield next(iter(super().run(jobs)))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_batch(find_jobs(folder, None), tmp_path / "out", Stopped)
    workers = Counting()
    batch = run_batch(find_jobs(folder, None), tmp_path / "out", lambda: workers)
    assert batch.kept == 1
    assert len(workers.done) == 3


def test_the_longest_goes_first(folder: Path, tmp_path: Path) -> None:
    workers = Counting()
    run_batch(find_jobs(folder, None), tmp_path / "out", lambda: workers)
    assert workers.done[:2] == ["2025/b.mcap", "a.mcap"]


@pytest.mark.long
def test_other_settings_are_other_work(folder: Path, tmp_path: Path) -> None:
    config = tmp_path / "mine.toml"
    config.write_text('[average]\nwindow = "30 s"\n', encoding="utf-8")
    out = tmp_path / "out"
    args = ["batch", str(folder), "--out", str(out), "--jobs", "1"]
    assert main(args) == 1
    before = json.loads((out / "flights" / "a.mcap.json").read_text(encoding="utf-8"))["fingerprint"]
    assert main([*args, "--config", str(config)]) == 1
    after = json.loads((out / "flights" / "a.mcap.json").read_text(encoding="utf-8"))["fingerprint"]
    assert before != after


def test_settings_are_in_the_fingerprint(folder: Path) -> None:
    mine = Settled('[average]\nwindow = "30 s"\n', "mine.toml", None, "the glider file")
    (job, *_), (other, *_) = find_jobs(folder, None), find_jobs(folder, mine)
    assert fingerprint(job) == fingerprint(job) != fingerprint(other)


def test_a_recording_with_wrong_settings_in_it_fails_alone(tmp_path: Path) -> None:
    path = tmp_path / "wrong.mcap"
    with RecordingWriter(path, RecordingInfo("x", "live", config_toml='[vario]\ndamping = "2"\n')) as writer:
        writer.write(Baro(0.0, 95_000.0))
    outcome = run_job(Job(str(path), "wrong.mcap", None))
    assert outcome.failure is not None
    assert "settings in wrong.mcap, line 2" in outcome.failure
    assert "\n" not in outcome.failure


@pytest.mark.long
def test_a_worker_that_dies_is_listed_and_the_rest_is_done(folder: Path) -> None:
    # Unpickling this job ends the process, as running out of memory would.
    jobs = [find_jobs(folder, None)[1], Job(str(folder / "a.mcap"), Deadly("deadly.mcap"), None)]
    found = {str(outcome.name): outcome for outcome in Processes(1).run(jobs)}
    assert found["a.mcap"].failure is None
    assert found["deadly.mcap"].failure == CRASHED


ENDLESS = """
import sys
from multiprocessing import active_children
from vario.app.batch.job import Job
from vario.app.batch.workers import Processes

if __name__ == "__main__":
    for outcome in Processes(2).run([Job(path, path, None) for path in sys.argv[1:]]):
        print(*(child.pid for child in active_children()), flush=True)
        sys.stdin.read()
"""


@pytest.mark.long
@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason=missing.LINUX)
def test_workers_end_with_a_batch_that_is_killed(folder: Path, tmp_path: Path) -> None:
    script = tmp_path / "endless.py"
    script.write_text(ENDLESS, encoding="utf-8")
    with subprocess.Popen(  # noqa: S603  (our own script)
        [sys.executable, str(script), str(folder / "a.mcap"), str(folder / "2025" / "b.mcap")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    ) as batch:
        assert batch.stdout is not None
        workers = [os.pidfd_open(int(pid)) for pid in batch.stdout.readline().split()]
        batch.kill()
        batch.wait()
    assert workers
    for worker in workers:
        try:
            # Readable after the end of the process; the time limit only applies to a failure.
            assert select.select([worker], [], [], 60.0)[0]
        finally:
            os.close(worker)


@pytest.mark.long
def test_results_inside_the_folder_are_no_recordings(folder: Path) -> None:
    out = folder / "out"
    for _ in range(2):
        main(["batch", str(folder), "--out", str(out), "--jobs", "1"])
        assert len(table(out / "flights.csv")) == 2
        assert {row["file"] for row in table(out / "failures.csv")} == {"c.igc", "empty.csv"}


def test_tables_inside_the_folder_are_no_jobs(folder: Path) -> None:
    out = folder / "out"
    names = [job.name for job in find_jobs(folder, None, out)]
    record(out / "flights" / "a.mcap", 5)
    write_table([], {"file": str}, out / "flights", "csv")
    assert [job.name for job in find_jobs(folder, None, out)] == names


class Deadly(str):
    """A name that ends the process that receives it."""

    __slots__ = ()

    def __reduce__(self) -> tuple[object, ...]:
        return os._exit, (7,)


def tables_in_this_process(folder: Path, out: Path) -> None:
    """Tables of both formats, of one batch."""
    batch = run_batch(find_jobs(folder, None), out, Counting)
    for kind in FORMATS:
        write_table(list(flight_rows(batch)), FLIGHT_COLUMNS, out / "flights", kind)
        write_table(list(climb_rows(batch)), CLIMB_COLUMNS, out / "climbs", kind)


def tables_by_command(folder: Path, out: Path) -> None:
    """Tables of one batch, then of one with nothing to do but what failed."""
    for kind in FORMATS:
        assert main(["batch", str(folder), "--out", str(out), "--jobs", "1", "--format", kind]) == 1


@pytest.mark.parametrize(
    "write", [tables_in_this_process, pytest.param(tables_by_command, marks=pytest.mark.long)]
)
def test_parquet_says_the_same_as_csv(
    folder: Path, tmp_path: Path, write: Callable[[Path, Path], None]
) -> None:
    pq = missing.library("pyarrow.parquet")
    out = tmp_path / "out"
    write(folder, out)
    rows = pq.read_table(out / "flights.parquet").to_pylist()
    assert len(rows) == 2
    written = [{k: "" if v is None else str(v) for k, v in row.items()} for row in rows]
    assert written == table(out / "flights.csv")
    assert pq.read_table(out / "climbs.parquet").schema.field("gain_m").type == "double"


@pytest.mark.long
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")  # inside the library
def test_a_dask_cluster_does_the_same_work(folder: Path, tmp_path: Path) -> None:
    distributed = missing.library("distributed")
    here, there = tmp_path / "here", tmp_path / "there"
    main(["batch", str(folder), "--out", str(here), "--jobs", "1"])
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        scheduler = ["--scheduler", cluster.scheduler_address]
        assert main(["batch", str(folder), "--out", str(there), *scheduler]) == 1
    for name in ("flights.csv", "climbs.csv", "failures.csv"):
        assert (there / name).read_bytes() == (here / name).read_bytes()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["none"], ["none", "folder"]),
        (["."], ["no recording", ".mcap"]),
    ],
)
def test_errors_are_one_clear_line(
    arguments: list[str],
    words: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["batch", *arguments]) == 2
    said = capsys.readouterr().err
    assert said.startswith("vario: ")
    assert said.count("\n") == 1
    for word in words:
        assert word in said


@pytest.mark.long
def test_a_scheduler_that_is_not_there_is_said() -> None:
    missing.library("distributed")
    with pytest.raises(AppError, match=r"tcp://127.0.0.1:9: no answer from a Dask scheduler"):
        Cluster("tcp://127.0.0.1:9", wait_s=1.0)
