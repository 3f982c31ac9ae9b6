"""Files: irregular files are refused without waiting; owners; file systems in memory; concurrent writers."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.samples import Baro, Sample
from hw_replay.disk import SYSTEM_DISK, file_system_of, temporary_beside
from hw_replay.open import convert
from hw_replay.recording import Recording
from hw_replay.regular_file import open_regular
from hw_replay.source import RecordingInfo
from tests.support import missing
from tests.support.fake_disk import FaultyDisk
from vario.app.change.changes import UNREADABLE_POLLS, SettingsWatch
from vario.app.check.findings import Verdict
from vario.app.check.system import check_card
from vario.app.errors import OutputError
from vario.app.files.atomic import write_atomically
from vario.app.live.recorder import FlightFiles
from vario.app.live.status import Status, status_line

ON_A_CARD = """\
22 1 179:2 / / rw,noatime shared:1 - ext4 /dev/root rw
23 22 0:21 / /dev/shm rw,nosuid,nodev shared:4 - tmpfs tmpfs rw
24 22 0:5 / /run rw,nosuid,nodev shared:5 - tmpfs tmpfs rw,size=190000k,mode=755
25 22 179:3 / /data/my\\040flights rw shared:6 - ext4 /dev/mmcblk0p3 rw
26 22 0:44 / /mnt/old rw shared:7 - tmpfs tmpfs rw
27 22 179:4 / /mnt/old rw shared:8 - ext4 /dev/sda1 rw
"""
"""As proc(5) describes /proc/self/mountinfo."""

ROOT_IN_MEMORY = """\
22 1 0:24 / / rw,relatime shared:1 - overlay overlayroot rw,lowerdir=/lower,upperdir=/media/root-rw/overlay
28 22 179:2 / /media/root-ro ro,relatime shared:2 - ext4 /dev/mmcblk0p2 ro
29 22 0:23 / /media/root-rw rw,relatime shared:3 - tmpfs tmpfs-root rw
30 22 179:3 / /data rw,relatime shared:4 - ext4 /dev/mmcblk0p3 rw
"""
"""A read-only root with an overlay; written from memory of such a machine."""


@pytest.mark.parametrize(
    ("mounts", "folder", "held"),
    [
        (ON_A_CARD, "/home/ada/flights", None),
        (ON_A_CARD, "/dev/shm/flights", "tmpfs at /dev/shm"),  # noqa: S108  (a tmpfs is meant)
        (ON_A_CARD, "/run", "tmpfs at /run"),
        (ON_A_CARD, "/running", None),
        (ON_A_CARD, "/data/my flights/2026", None),
        (ON_A_CARD, "/mnt/old/flights", None),  # the later mount hides the earlier one
        (ROOT_IN_MEMORY, "/home/ada/flights", "tmpfs at /media/root-rw"),
        (ROOT_IN_MEMORY, "/data/flights", None),
        (ROOT_IN_MEMORY.splitlines()[0], "/home", None),  # a container: not known
        ("", "/data", None),
    ],
)
def test_what_is_gone_at_power_off_is_told_from_the_mounts(
    mounts: str, folder: str, held: str | None
) -> None:
    assert file_system_of(Path(folder), mounts).in_memory == held


def test_a_recording_in_memory_is_a_fault(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    disk = FaultyDisk()
    disk.memory = "tmpfs at /media/root-rw"
    finding = check_card(str(tmp_path / "flights"), disk)
    assert finding.verdict is Verdict.FAIL
    assert "lost when the power is switched off" in finding.next_step
    files = FlightFiles(tmp_path / "flights", sync_s=0.0, disk=disk)
    files.begin(RecordingInfo("Flight {number}", "live"))
    files.write(Baro(1.0, 95_000.0))
    assert "is in memory (tmpfs at /media/root-rw)" in caplog.text
    assert "IN MEMORY ONLY, lost at power-off" in status_line(Status(1.0, None, [], files.status, None))
    files.end()


def test_a_recorder_that_cannot_write_says_so_once_a_minute(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    disk = FaultyDisk()
    disk.read_only = True
    files = FlightFiles(tmp_path / "flights", sync_s=0.0, disk=disk)
    files.begin(RecordingInfo("Flight {number}", "live"))
    for t_s in range(1, 131):
        files.write(Baro(float(t_s), 95_000.0))
    assert [record.getMessage().partition(". ")[2] for record in caplog.records] == [
        "The flight continues without recording"
    ] * 3
    assert files.status.lost == 130


@pytest.mark.parametrize("kind", ["pipe", "folder", "device", "socket"])
def test_what_is_no_file_is_refused_without_waiting(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "it"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "socket":
        os.mknod(path, stat.S_IFSOCK | 0o600)
    else:
        path = Path("/dev/zero")  # gives bytes for ever
    with pytest.raises(OSError):  # noqa: PT011  (which one differs)
        open_regular(path)


def test_a_settings_file_that_becomes_a_pipe_is_a_problem_and_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "vario.toml"
    path.write_text("", encoding="utf-8")
    watch = SettingsWatch(path)
    path.unlink()
    os.mkfifo(path)
    problems = []
    for _ in range(UNREADABLE_POLLS):
        assert watch.poll(0.0) is None
        problems.append(watch.problem)
    assert problems[:-1] == [None] * (UNREADABLE_POLLS - 1)  # an editor may be exchanging it
    assert "this is a pipe, which can be read only once; expected a file; the settings in force stay" in str(
        problems[-1]
    )
    path.unlink()
    path.write_text('[vario]\ndamping = "1 s"\n', encoding="utf-8")
    found = [watch.poll(0.0) for _ in range(3)]
    assert any(found)
    assert watch.problem is None


class Steps:
    """A source that calls a function while it is read."""

    info = RecordingInfo("steps", "live")
    duration_s = 1.0

    def __init__(self, meanwhile: object = None) -> None:
        self._meanwhile = meanwhile

    def __iter__(self) -> Iterator[Sample]:
        yield Baro(1.0, 95_000.0)
        if callable(self._meanwhile):
            self._meanwhile()
        yield Baro(2.0, 95_001.0)

    def rejected(self) -> int:
        return 0

    def warnings(self) -> list[str]:
        return []


def test_two_conversions_into_one_file_do_not_meet(tmp_path: Path) -> None:
    out = tmp_path / f"{'n' * 245}.mcap"  # 255 bytes would be too many with anything added
    convert(Steps(lambda: convert(Steps(), out)), out)
    assert [sample.t_s for sample in Recording(out)] == [1.0, 2.0]
    assert [path.name for path in tmp_path.iterdir()] == [out.name]
    assert temporary_beside(out) != temporary_beside(out)


@pytest.mark.parametrize("taken", [True, False])
def test_a_name_that_is_taken_stays_with_its_file(taken: bool, tmp_path: Path) -> None:
    one, other = tmp_path / "00001.mcap", tmp_path / "00001_2026-06-01.mcap"
    one.write_bytes(b"one")
    if taken:
        other.write_bytes(b"other")
    for disk in (SYSTEM_DISK, FaultyDisk()):
        assert disk.rename_free(one, other) is not taken
        if taken:
            assert (one.read_bytes(), other.read_bytes()) == (b"one", b"other")
        else:
            assert other.read_bytes() == b"one"
            other.rename(one)


needs_root = pytest.mark.skipif(os.geteuid() != 0, reason=missing.ROOT)


@needs_root
def test_a_file_replaced_by_root_stays_its_owners(tmp_path: Path) -> None:
    path = tmp_path / "vario.toml"
    path.write_bytes(b"old")
    os.chown(path, 12345, 23456)
    path.chmod(0o640)
    write_atomically(path, b"new")
    found = path.stat()
    assert (found.st_uid, found.st_gid, stat.S_IMODE(found.st_mode)) == (12345, 23456, 0o640)
    assert path.read_bytes() == b"new"


@needs_root
def test_what_root_makes_belongs_to_whoever_has_the_folder(tmp_path: Path) -> None:
    os.chown(tmp_path, 12345, 23456)
    SYSTEM_DISK.make_folder(tmp_path / "a" / "b")
    with SYSTEM_DISK.create(tmp_path / "a" / "b" / "c", new=True) as file:
        file.write(b"c")
    for path in (tmp_path / "a", tmp_path / "a" / "b", tmp_path / "a" / "b" / "c"):
        assert (path.stat().st_uid, path.stat().st_gid) == (12345, 23456)


def test_a_file_of_somebody_else_that_cannot_stay_so_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only root may change the owner of a file (chown(2)); here the refusal of the system is simulated."""
    path = tmp_path / "vario.toml"
    path.write_bytes(b"old")

    def refuse(*_: object) -> None:
        raise PermissionError

    if os.geteuid() != 0:
        pytest.skip(missing.ROOT)
    os.chown(path, 12345, 23456)
    monkeypatch.setattr(os, "fchown", refuse)
    with pytest.raises(OutputError, match=r"belongs to another user \(number 12345\).*sudo"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]
