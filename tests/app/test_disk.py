"""A card that is full, read-only, removed or slow, and power failures: the losses and the messages."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.samples import Baro, Sample
from hw_replay.errors import CorruptRecording
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from tests.campaigns.power_cuts import MOST_LOST_S, cut_config, cut_recording
from tests.support.examples import drawn
from tests.support.fake_disk import FaultyDisk
from vario.app.errors import OutputError
from vario.app.files.atomic import change_file, write_atomically, write_new
from vario.app.live.recorder import CHUNK_S, RETRY_S, FlightFiles, Recorder
from vario.app.live.scheduler import whole_ns
from vario.app.live.status import MANY_WAITING, Status, status_line

Fault = Callable[[FaultyDisk], None]

INFO = RecordingInfo("Flight {number}", "live")


def samples(seconds: float, begin_s: float = 1.0) -> list[Sample]:
    # Pressures that do not repeat, as those of a flight do not: the file grows.
    return [Baro(whole_ns(begin_s + k / 50), 95_000.0 + (k * 0.7319) % 131) for k in range(int(seconds * 50))]


def recorded(folder: Path) -> list[Sample]:
    found: list[Sample] = []
    for path in sorted(folder.glob("*.mcap")):
        try:
            found += Recording(path)
        except CorruptRecording:  # it could not even be begun
            assert path.stat().st_size < 4096
    return found


def full(disk: FaultyDisk) -> None:
    disk.room_bytes = 3000


def read_only(disk: FaultyDisk) -> None:
    disk.read_only = True


def removed(disk: FaultyDisk) -> None:
    disk.removed = True


def well(disk: FaultyDisk) -> None:
    disk.room_bytes, disk.read_only, disk.removed = float("inf"), False, False


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (full, "No space left on device"),
        pytest.param(read_only, "Read-only file system", marks=pytest.mark.long),
        pytest.param(removed, "Input/output error", marks=pytest.mark.long),
    ],
)
def test_a_card_that_fails_in_flight_costs_what_it_must_and_is_used_again(
    fault: Fault, said: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    disk = FaultyDisk()
    files = FlightFiles(tmp_path, sync_s=1.0, disk=disk)
    files.begin(INFO)
    flown = samples(60.0)
    for sample in flown:
        if sample.t_s == 20.0:
            fault(disk)
        if sample.t_s == 30.0:
            assert files.status.file is None
            assert files.status.problem is not None
            well(disk)
        files.write(sample)
    files.end()
    status = files.status
    assert status.problem is None
    assert said in caplog.text
    errors = [record for record in caplog.records if record.levelname == "ERROR"]
    assert 1 <= len(errors) <= 3
    assert "The flight continues without recording" in errors[0].getMessage()
    assert "recording again" in caplog.text
    found = recorded(tmp_path)
    assert all(sample in flown for sample in found)
    assert status.written + status.lost == len(flown)
    # The count is an upper limit: the chunk that was being filled may have been written.
    assert status.written <= len(found) <= status.written + 50 * CHUNK_S + 1
    # Ten seconds of failure, the rest of the time until the next try, and the chunk in hand.
    assert status.lost <= 50 * (10.0 + RETRY_S + 2 * CHUNK_S)
    assert [s for s in found if s.t_s < 18.0] == [s for s in flown if s.t_s < 18.0]
    assert [s for s in found if s.t_s > 42.0] == [s for s in flown if s.t_s > 42.0]


def test_a_card_that_refuses_from_the_start_is_taken_when_it_does_no_more(tmp_path: Path) -> None:
    disk = FaultyDisk()
    removed(disk)
    files = FlightFiles(tmp_path / "flights", sync_s=1.0, disk=disk)
    files.begin(INFO)
    for sample in samples(30.0):
        if sample.t_s == 15.0:
            well(disk)
        files.write(sample)
    files.end()
    assert files.status.lost == 50 * 2 * RETRY_S
    assert len(recorded(tmp_path / "flights")) == 50 * 10


def test_a_card_that_takes_its_time_holds_nobody_up_and_gets_everything(tmp_path: Path) -> None:
    slow = threading.Event()
    hangs = threading.Event()

    def wait(_: float) -> None:
        hangs.set()
        assert slow.wait(60.0)

    disk = FaultyDisk(wait)
    recorder = Recorder(FlightFiles(tmp_path, sync_s=1.0, disk=disk))
    disk.sync_s = 3.0
    recorder.begin(INFO)
    flown = samples(60.0)
    for sample in flown[:100]:
        recorder.put(sample)
    assert hangs.wait(60.0)
    for sample in flown[100:]:  # the recorder waits, but its caller does not
        recorder.put(sample)
    assert recorder.waiting > MANY_WAITING
    assert "the card is slow" in status_line(Status(1.0, None, [], recorder.status, None))
    slow.set()
    recorder.close(60.0)
    assert recorder.status.lost == 0
    assert recorded(tmp_path) == flown


@settings(max_examples=drawn(40))
@given(seed=st.integers(0, 2**32))
def test_the_power_may_go_at_any_moment(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    """On a disk that keeps flushed data, and any part of the rest."""
    folder = tmp_path_factory.mktemp("cut")
    chance = Random(seed)  # noqa: S311  (moments, not secrets)
    assert cut_recording(folder, chance) <= MOST_LOST_S
    cut_config(folder, chance)


@pytest.mark.parametrize("fault", [full, read_only, removed])
@pytest.mark.parametrize("exchanges", [True, False])
def test_a_file_that_cannot_be_written_is_the_old_one(fault: Fault, exchanges: bool, tmp_path: Path) -> None:
    disk = FaultyDisk()
    disk.exchanges = exchanges
    path = tmp_path / "my.toml"
    path.write_bytes(b"old" * 2000)
    fault(disk)
    with pytest.raises(OutputError, match=r"my.toml: cannot be written: "):
        change_file(path, lambda _: b"new" * 2000, disk)
    with pytest.raises(OutputError):
        write_atomically(path, b"new" * 2000, disk)
    with pytest.raises(OutputError):
        write_new(tmp_path, iter(["a.mark"]), b"new" * 2000, disk)
    assert path.read_bytes() == b"old" * 2000
    well(disk)
    assert change_file(path, lambda _: b"new", disk) == b"old" * 2000
    assert path.read_bytes() == b"new"
    assert not (tmp_path / "a.mark").exists()


def test_a_new_file_never_takes_the_place_of_another(tmp_path: Path) -> None:
    found = [write_new(tmp_path, iter(["a", "b", "c"]), text) for text in (b"1", b"2", b"3")]
    assert [(path.name, path.read_bytes()) for path in found] == [("a", b"1"), ("b", b"2"), ("c", b"3")]
    assert len(list(tmp_path.iterdir())) == 3
