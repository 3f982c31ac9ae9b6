"""The recorder: losses after a power failure, with a full card and with a read-only card."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.samples import Baro, Reference, Sample
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from tests.support.examples import short
from tests.support.fake_disk import FaultyDisk
from vario.app.live.recorder import LEAST_FREE_BYTES, RETRY_S, UTC_OFFSET, FlightFiles, Recorder
from vario.app.live.scheduler import whole_ns

INFO = RecordingInfo("Flight {number}", "live")
ROOT = Path(__file__).parents[2]


def samples(seconds: float, begin_s: float = 1.0) -> list[Sample]:
    return [Baro(whole_ns(begin_s + k / 50), 95_000.0 + k % 9) for k in range(int(seconds * 50))]


def write(files: FlightFiles, what: list[Sample]) -> None:
    for sample in what:
        files.write(sample)


@pytest.mark.parametrize("count", short(1, [3, 8, 20]))
def test_a_kill_at_any_moment_costs_two_seconds_at_most(tmp_path: Path, count: int) -> None:
    done = subprocess.run(  # noqa: S603  (our own module)
        [sys.executable, "-m", "tests.campaigns.power_cuts", str(count), "5"],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"{count} recordings killed" in done.stdout


def test_every_sample_is_in_the_file_and_the_file_says_what_it_is(tmp_path: Path) -> None:
    recorder = Recorder(FlightFiles(tmp_path, sync_s=1.0))
    recorder.begin(INFO)
    flown = samples(5.0)
    for sample in flown:
        recorder.put(sample)
    recorder.close()
    recording = Recording(tmp_path / "00001.mcap")
    assert list(recording) == flown
    assert recording.warnings() == []
    assert recording.info.title == "Flight 1"
    assert recorder.status.written == len(flown)


def test_a_new_flight_is_a_new_file_and_none_is_ever_written_over(tmp_path: Path) -> None:
    (tmp_path / "00007_2026-05-01.mcap").write_bytes(b"an earlier flight")
    files = FlightFiles(tmp_path, sync_s=0.0)
    for flight in range(3):
        files.begin(INFO)
        write(files, samples(2.0, 1.0 + 100 * flight))
    files.end()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "00007_2026-05-01.mcap",
        "00008.mcap",
        "00009.mcap",
        "00010.mcap",
    ]
    assert (tmp_path / "00007_2026-05-01.mcap").read_bytes() == b"an earlier flight"
    assert next(iter(Recording(tmp_path / "00010.mcap"))).t_s == 201.0


FILL = """
import resource, signal, sys
from pathlib import Path
from drivers.samples import Baro
from hw_replay.source import RecordingInfo
from vario.app.live.recorder import FlightFiles
from vario.app.live.scheduler import whole_ns
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
files = FlightFiles(Path(sys.argv[1]), sync_s=1.0)
files.begin(RecordingInfo("Flight {number}", "live"))
for k in range(3000):
    files.write(Baro(1.0 + k / 50, 95_000.0 + k * 0.317))
print(files.status.lost, files.status.problem)
"""


def test_a_file_that_can_grow_no_more_keeps_what_it_has(tmp_path: Path) -> None:
    """The system refuses to let a file grow beyond a limit (setrlimit(2)), as a full card does."""
    done = subprocess.run(  # noqa: S603  (our own program)
        [sys.executable, "-c", FILL, str(tmp_path)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    lost = int(done.stdout.split()[0])
    assert lost > 0
    recorded = [list(Recording(path)) for path in sorted(tmp_path.glob("*.mcap"))]
    assert len(recorded) > 1  # tried again
    for flown in recorded:
        assert len(flown) > 100
    assert "File too large" in done.stderr + done.stdout


def test_no_room_left_is_said_once_and_tried_again(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    disk = FaultyDisk()
    disk.room_bytes = LEAST_FREE_BYTES - 1
    files = FlightFiles(tmp_path, sync_s=1.0, disk=disk)
    files.begin(INFO)
    write(files, samples(RETRY_S * 3))
    assert [record.levelname for record in caplog.records] == ["ERROR"]
    assert "card is full" in caplog.text
    assert list(tmp_path.iterdir()) == []  # no heap of empty files
    disk.room_bytes = 2 * LEAST_FREE_BYTES
    write(files, samples(RETRY_S * 2, 1.0 + RETRY_S * 3))
    files.end()
    recorded = list(Recording(tmp_path / "00001.mcap"))
    assert recorded
    assert files.status.problem is None
    assert files.status.lost + len(recorded) == 50 * RETRY_S * 5


@pytest.mark.long
def test_a_long_flight_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    files = FlightFiles(tmp_path, sync_s=0.0)
    files.begin(INFO)
    used = []
    for minute in range(31):
        write(files, [Baro(1.0 + minute * 60.0 + k / 5, 95_000.0 + k % 9) for k in range(300)])
        gc.collect()
        used.append(sys.getallocatedblocks())
    files.end()
    assert used[30] - used[5] < 300  # 1500 chunks
    assert len(list(Recording(tmp_path / "00001.mcap"))) == 31 * 300


@pytest.mark.parametrize("whole", [True, False])
def test_the_date_that_comes_late_is_in_the_file(tmp_path: Path, whole: bool) -> None:
    """A finished file has its date in the name; a truncated file also contains its start time."""
    at_zero = datetime(2026, 6, 1, 11, 0, 3, 250_000, tzinfo=UTC)
    files = FlightFiles(tmp_path, sync_s=0.0)
    files.begin(INFO)
    write(files, [*samples(4.0), Reference(5.0, UTC_OFFSET, at_zero.timestamp()), *samples(4.0, 5.02)])
    if whole:
        files.end()
    (path,) = tmp_path.iterdir()
    assert path.name == ("00001_2026-06-01.mcap" if whole else "00001.mcap")
    recording = Recording(path)
    assert recording.info.start_utc == at_zero
    assert len(list(recording)) >= (401 if whole else 300)
    files.end()


def test_a_folder_that_cannot_be_written_to_is_said_and_survived(caplog: pytest.LogCaptureFixture) -> None:
    # A folder of the kernel, in which no user can create a folder.
    files = FlightFiles(Path("/proc/vario"), sync_s=1.0)
    files.begin(INFO)
    write(files, samples(1.0))
    assert files.status.lost == 50
    assert files.status.file is None
    assert "The flight continues without recording" in caplog.text
