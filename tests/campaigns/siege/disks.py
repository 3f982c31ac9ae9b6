"""Full disks: no partial file is left, and existing files are unchanged.

The short attacks limit the size of a file that the process may write (setrlimit(2), RLIMIT_FSIZE), which
needs no rights: beyond it every write fails, as on a full disk. The long ones fill a file system in memory.
"""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from drivers.samples import Baro
from hw_replay.atomic import remove_abandoned
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.campaigns.siege.camp import done, recording, refused, vario
from tests.support.fake_disk import files_of_at_most

SCENARIO = Path(__file__).parents[3] / "config" / "scenarios" / "thermal.toml"
FORMER = b"what stood here before"


def _still(path: Path) -> Path:
    with RecordingWriter(path, RecordingInfo("At rest", "live")) as writer:
        for i in range(2000):
            writer.write(Baro(i * 0.05, 95_000.0 + (i * 7919 % 13) / 10))
    return path


def _commands(path: Path, out: Path) -> Sequence[tuple[tuple[str | Path, ...], str]]:
    """Commands that write one result, with its name."""
    dated = path.with_name("dated.mcap")
    recording(dated, {"start_utc": "2025-06-01T12:00:00+00:00"}, seconds=120)
    return (
        (("report", path, "--out", out / "page.html"), "page.html"),
        (("export", path, "--as", "csv", "--out", out / "x.csv"), "x.csv"),
        (("export", path, "--as", "parquet", "--out", out / "x.parquet"), "x.parquet"),
        (("export", dated, "--as", "igc", "--out", out / "x.igc"), "x.igc"),
        (("export", dated, "--as", "nmea", "--out", out / "x.nmea"), "x.nmea"),
        (("import", path, "--out", out / "x.mcap"), "x.mcap"),
        (("simulate", SCENARIO, "--out", out / "s.mcap"), "s.mcap"),
        (("tone", "1 -2 3", "--out", out / "t.flac"), "t.flac"),
    )


def _left(out: Path, before: dict[str, bytes]) -> None:
    found = {path.name: path.read_bytes() for path in out.iterdir()}
    assert found == before, f"left behind: {sorted(found.keys() ^ before.keys()) or 'a changed file'}"


def full(folder: Path) -> str:
    path, out = _still(folder / "a.mcap"), folder / "out"
    out.mkdir()
    commands = _commands(path, out)
    with files_of_at_most(1000):
        for former in ({}, {name: FORMER for _, name in commands}):
            for name, content in former.items():
                (out / name).write_bytes(content)
            for command, name in commands:
                refused(vario(*command), str(out / name), "cannot")
                _left(out, former)
    return f"{len(commands)} commands; no file is left or changed"


def full_folders(folder: Path) -> str:
    """Commands that write several results: each result is complete or absent."""
    path, out = _still(folder / "a.mcap"), folder / "out"
    trace = folder / "trace"
    vario("replay", path, "--out", trace)
    before = {name: (trace / name).read_bytes() for name in os.listdir(trace)}
    with files_of_at_most(3000):
        for command in (
            ("replay", path, "--out", out),
            ("replay", path, "--out", trace),
            ("compare", trace, trace, "--out", out),
            ("noise", "static", path, "--out", out),
        ):
            refused(vario(*command))
            for found in out.iterdir() if out.exists() else ():
                assert found.stat().st_size < 3000, f"{found.name} may be half"
                assert not found.name.startswith("."), f"{found.name} is left over"
                assert found.stat().st_size, f"{found.name} is empty"
    assert before == {name: (trace / name).read_bytes() for name in os.listdir(trace)}, "a former result"
    return "only complete files; former results unchanged"


def really_full(folder: Path) -> str:
    """A file system in memory of 100 kB; needs the rights to mount one."""
    path, out = _still(folder / "a.mcap"), folder / "out"
    out.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=100k", "tmpfs", str(out)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode:  # noqa: S603
        return "not tried: no rights to mount a file system"
    try:
        (out / "ballast").write_bytes(bytes(92_000))
        before = {"ballast": bytes(92_000)}
        for command, name in _commands(path, out):
            said = refused(vario(*command), str(out / name), "No space left on device")
            _left(out, before)
        (out / "ballast").write_bytes(bytes(102_400))
        return said.rpartition("/")[2]
    finally:
        subprocess.run(["umount", str(out)], check=False)  # noqa: S603, S607


def killed(folder: Path) -> str:
    """A command that is killed while it writes leaves the former result."""
    out = folder / "s.mcap"
    out.write_bytes(FORMER)
    command = [sys.executable, "-m", "vario", "simulate", str(SCENARIO), "--out", str(out)]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as process:  # noqa: S603
        while not [name for name in os.listdir(folder) if name.endswith(".partial")]:
            assert process.poll() is None, "it ended too early"
        process.kill()
    assert out.read_bytes() == FORMER, "the former result is gone"
    (left,) = [path for path in folder.iterdir() if path.name.endswith(".partial")]
    _others(folder, left)
    return "the former result is unchanged; the next command that writes there removes the partial file"


def _others(folder: Path, left: Path) -> None:
    """A later command removes the file of a killed one, but no file that is new, in use or of another
    program.
    """
    young, held = (folder / f".{digit * 16}.partial" for digit in "ab")
    foreign, tone = folder / ".mine.partial", folder / f"x.flac.{'c' * 16}.partial"
    for path in (young, held, foreign, tone):
        path.write_bytes(b"")
    for path in (left, held, foreign, tone):
        os.utime(path, (0, 0))
    with held.open("rb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        remove_abandoned(folder)
    assert [path.exists() for path in (left, young, held, foreign, tone)] == [False, True, True, True, True]
    done(vario("tone", "1", "--seconds", "0.1", "--out", folder / "y.flac"))


ATTACKS = (
    (
        "no space for a result: report, export, import, simulate, tone",
        "one line of error; no file is left or changed",
        full,
    ),
    (
        "no space for one of several results: replay, compare, noise",
        "one line of error; each result is complete or absent",
        full_folders,
    ),
    ("a full file system", "one line of error; no file is left", really_full),
    (
        "a command is killed while it writes",
        "the former result stays; the next command removes the partial file",
        killed,
    ),
)

LONG = (really_full, killed)
