"""Replay of many recordings: isolated failures, and repeated runs that replay only what is new."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from drivers.samples import Baro
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.batch_folder import Counting, record, recordings_in
from tests.support.csv_tables import csv_rows
from vario.app.batch.batch import find_jobs, run_batch
from vario.app.batch.job import Job, JobResult, Settled, fingerprint, run_job
from vario.app.batch.tables import FLIGHT_COLUMNS, TABLES, write_table
from vario.app.cli import main
from vario.app.errors import AppError
from vario.app.outputs.catalogue import TRACE


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return recordings_in(tmp_path)


def test_a_recording_without_samples_is_a_failure(tmp_path: Path) -> None:
    (tmp_path / "no_fix.igc").write_text("AXXX001\nHFDTE010526\n", encoding="ascii")
    assert main(["batch", str(tmp_path), "--out", str(tmp_path / "out"), "--jobs", "1"]) == 1
    (row,) = csv_rows(tmp_path / "out" / "failures.csv", "utf-8")
    assert (
        row["failure"] == "no sample that can be replayed was found; the file holds no fix that can be used"
    )


@pytest.mark.parametrize("processes", ["1", pytest.param("2", marks=pytest.mark.long)])
def test_tables_failures_and_exit_code(
    processes: str, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["batch", str(folder), "--out", str(out), "--jobs", processes]) == 1
    flights = csv_rows(out / "flights.csv", "utf-8")
    assert [row["file"] for row in flights] == ["2025/b.mcap", "a.mcap"]
    assert [float(row["duration_s"]) for row in flights] == pytest.approx([5.9, 3.9], abs=0.05)
    assert flights[0]["takeoff_s"] == ""  # an unknown value is empty, not zero
    assert csv_rows(out / "climbs.csv", "utf-8") == []
    failures = {row["file"]: row["failure"] for row in csv_rows(out / "failures.csv", "utf-8")}
    assert failures.keys() == {"c.igc", "empty.csv"}
    assert "expected" in failures["c.igc"]
    said = capsys.readouterr().out
    assert "2 flights, 0:10 in all, 0 climbs" in said
    assert "failed: empty.csv: " in said
    summary = json.loads((out / "flights" / "2025" / "b.mcap.json").read_text(encoding="utf-8"))["summary"]
    assert summary["title"] == "b"


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
def test_other_settings_cause_a_new_replay(folder: Path, tmp_path: Path) -> None:
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
def test_results_inside_the_folder_are_no_recordings(folder: Path) -> None:
    out = folder / "out"
    for _ in range(2):
        main(["batch", str(folder), "--out", str(out), "--jobs", "1"])
        assert len(csv_rows(out / "flights.csv", "utf-8")) == 2
        assert {row["file"] for row in csv_rows(out / "failures.csv", "utf-8")} == {"c.igc", "empty.csv"}


def test_results_are_recognized_by_their_columns_wherever_they_lie(folder: Path) -> None:
    """Each is named. A recording among the results is a recording, and so is a table with a map."""
    names = {job.name for job in find_jobs(folder, None)}
    out = folder / "out"
    left: list[str] = []
    for before, tables in (("", out), ("old/", folder / "old")):
        tables.mkdir()
        for table_name, columns in TABLES.items():
            write_table([], columns, tables / f"{before[:3]}{table_name}", "csv")
    header = ",".join(output.name for output in TRACE)
    (folder / "old" / "my.csv").write_text(f"{header}\n")
    (folder / "mapped.csv").write_text(f"{header}\n")
    (folder / "mapped.csv.toml").write_text("")
    record(out / "day" / "a.mcap", 5)
    jobs = find_jobs(folder, None, out, leave_out=left.append)
    assert {job.name for job in jobs} == names | {"mapped.csv", "out/day/a.mcap"}
    assert left == [
        "old/my.csv: the trace of a replay",
        *(f"old/old{name}.csv: the table of {name} of a batch" for name in sorted(TABLES)),
        *(f"out/{name}.csv: the table of {name} of a batch" for name in sorted(TABLES)),
    ]


def test_a_folder_with_results_only_has_no_recording(tmp_path: Path) -> None:
    write_table([], FLIGHT_COLUMNS, tmp_path / "flights", "csv")
    with pytest.raises(AppError, match=r"no recording in it \(left out: results of this program, 1\)"):
        find_jobs(tmp_path, None)


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
