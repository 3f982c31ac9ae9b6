"""Power cuts: `python -m tests.campaigns.power_cuts 200` kills 200 recordings at random moments, and
simulates as many power failures.

Each victim has two processes. The first records at four times real time, watches its settings and marks as
the instrument does, and notes the time before each sample. The second changes the settings and sets marks
without a pause. The moment of the kill is a time of the recording, and a victim waits if its recorder is far
behind. So on a busy machine the kill comes later, and no more is lost. After a kill (SIGKILL) the data in the
operating system remain. After a real power failure the card has the data of the last fsync: `FaultyDisk`
keeps these, and any part of the rest.
"""

from __future__ import annotations

import os
import signal
import struct
import sys
import tempfile
import time
import traceback
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from random import Random

from drivers.samples import Baro, ImuAccel
from hw_replay.errors import CorruptRecording
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from tests.support.fake_disk import FaultyDisk
from vario.app.change.marks import drop_mark
from vario.app.change.short_names import set_setting
from vario.app.errors import OutputError
from vario.app.files.atomic import change_file, write_new
from vario.app.live.file_watch import FileWatch
from vario.app.live.recorder import FlightFiles, Recorder
from vario.app.live.scheduler import whole_ns
from vario.settings.load import load_settings

SPEED = 4.0
BEGIN_S = 1.0
AT_ONCE = 10
LONGEST_S = 8.0
"""The data that a victim records until it is killed."""
MOST_WAITING = 75
"""Samples that may wait for the thread of the recorder: half a second."""
PATIENCE_S = 120.0
MOST_LOST_S = 2.0
INFO = RecordingInfo("Flight {number}", "live")
CONFIG = Path(__file__).parents[2] / "config" / "vario.toml"
MARK = "lift here, and a text long enough to be torn " * 8
_TIME = struct.Struct("<d")


def write_until_killed(folder: Path) -> None:
    """Record without end: barometer, accelerometer, changed settings and marks."""
    progress = os.open(folder / "progress", os.O_CREAT | os.O_WRONLY)
    side = FileWatch(folder / "vario.toml", folder / "marks", every_s=0.05)
    side.start()
    recorder = Recorder(FlightFiles(folder, sync_s=1.0))
    recorder.begin(INFO)
    begun_s = time.monotonic()
    step = 0
    while True:
        while recorder.waiting > MOST_WAITING:
            time.sleep(0.001)
        step += 1
        t_s = BEGIN_S + step / 100.0
        os.pwrite(progress, _TIME.pack(t_s), 0)
        recorder.put(ImuAccel(t_s, 0.1, -0.2, -9.8 + step % 7 / 100.0))
        if step % 2 == 0:
            recorder.put(Baro(t_s, 95_000.0 - step / 3.0))
        event = side.take()
        if event is not None:
            recorder.put(replace(event, t_s=t_s))
        time.sleep(max(0.0, begun_s + step / 100.0 / SPEED - time.monotonic()))


def change_until_killed(folder: Path) -> None:
    """Change two settings and set a mark, without end."""
    for number in count(1):
        set_setting("maccready", f"{number % 100 / 10} m/s", folder / "vario.toml")
        set_setting("bugs", f"{number % 50 / 100}", folder / "vario.toml")
        drop_mark(folder / "marks", f"{number} {MARK}", datetime.now(UTC))


def losses(root: Path, number: int, seed: int) -> list[float]:
    """Recorded seconds lost by each of `number` killed recordings; raises if anything else is lost."""
    chance = Random(seed)  # noqa: S311  (moments, not secrets)
    found: list[float] = []
    for first in range(0, number, AT_ONCE):
        folders = [root / f"{index:03}" for index in range(first, min(first + AT_ONCE, number))]
        doomed = []
        for folder in folders:
            folder.mkdir()
            (folder / "vario.toml").write_bytes(CONFIG.read_bytes())
            at_s = BEGIN_S + chance.uniform(0.0, LONGEST_S)
            pids = []
            for life in (write_until_killed, change_until_killed):
                pid = os.fork()
                if pid == 0:
                    try:
                        life(folder)
                    finally:
                        traceback.print_exc()
                        os._exit(1)  # the resources of the parent must not be closed here
                pids.append(pid)
            doomed.append((at_s, folder, pids))
        _kill(doomed)
        for folder in folders:
            load_settings(folder / "vario.toml")  # raises if it is torn
            texts = [path.read_text(encoding="utf-8") for path in (folder / "marks").glob("*.mark")]
            assert all(text.partition(" ")[2].strip() == MARK.strip() for text in texts)
            found.append(_loss_s(folder))
    return found


def _kill(doomed: list[tuple[float, Path, list[int]]]) -> None:
    """Kill the processes of each victim when its recording has reached its time."""
    deadline_s, in_time, lived = time.monotonic() + PATIENCE_S, True, True
    while doomed:
        in_time = time.monotonic() < deadline_s
        for victim in [one for one in doomed if _reached_s(one[1]) >= one[0] or not in_time]:
            doomed.remove(victim)
            for pid in victim[2]:
                os.kill(pid, signal.SIGKILL)
                lived &= os.WIFSIGNALED(os.waitpid(pid, 0)[1])
        time.sleep(0.01)
    assert lived, "one had ended by itself"
    assert in_time, "a recording does not go on"


def _reached_s(folder: Path) -> float:
    """The recorded time of the victim; `BEGIN_S` before its first sample."""
    progress = folder / "progress"
    written = progress.read_bytes() if progress.exists() else b""
    return float(_TIME.unpack(written)[0]) if written else BEGIN_S


def _loss_s(folder: Path) -> float:
    files = list(folder.glob("*.mcap"))
    recorded = Recording(files[0]) if files and files[0].stat().st_size else []
    return _reached_s(folder) - max((sample.t_s for sample in recorded), default=BEGIN_S)


def cut_recording(folder: Path, chance: Random) -> float:
    """Simulate a power failure during a recording on a `FaultyDisk`; returns the recorded seconds lost.

    Raises:
        AssertionError: if the remaining file is not the beginning of the recording.
    """
    disk = FaultyDisk()
    files = FlightFiles(folder, sync_s=1.0, disk=disk)
    files.begin(INFO)
    pressures = (95_000.0 + chance.uniform(-9.0, 9.0) for _ in range(chance.randint(1, 600)))
    flown = [Baro(whole_ns(1.0 + k / 50), pressure) for k, pressure in enumerate(pressures)]
    for sample in flown:
        files.write(sample)
    if chance.random() < 0.1:
        files.end()
    disk.cut_power(chance)
    left: list[object] = []
    for path in folder.glob("*.mcap"):
        try:
            left += Recording(path)
        except CorruptRecording:
            assert flown[-1].t_s < 1.0 + MOST_LOST_S, "a recording that can no longer be read"
    assert left == flown[: len(left)], "what is left is not what was recorded"
    return flown[-1].t_s - (flown[len(left) - 1].t_s if left else 1.0)


def cut_config(folder: Path, chance: Random) -> None:
    """Simulate a power failure while a file is changed and marks are set on a `FaultyDisk`.

    Raises:
        AssertionError: if a file is incomplete, or a completed change is lost.
    """
    disk = FaultyDisk()
    disk.exchanges = chance.random() < 0.5
    path = folder / "config.toml"
    path.write_bytes(b"0" * 3000)
    disk.operations_left = chance.randint(0, 60)
    changed = dropped = 0
    with suppress(OutputError):
        for number in range(1, 4):
            change_file(path, lambda _, text=b"%d" % number * 3000: text, disk)  # type: ignore[misc]
            changed = number
            write_new(folder, iter([f"{number}.mark"]), b"mark" * 300, disk)
            dropped = number
    disk.cut_power(chance)
    found = path.read_bytes()
    assert found in (b"%d" % changed * 3000, b"%d" % (changed + 1) * 3000), "the settings are torn or old"
    marks = [mark.read_bytes() for mark in sorted(folder.glob("*.mark"))]
    assert marks in ([b"mark" * 300] * dropped, [b"mark" * 300] * (dropped + 1)), "a mark is torn or gone"


def main() -> int:
    """Make the number of kills and power failures given on the command line."""
    number = int(sys.argv[1])
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        lost = losses(root, number, seed)
        chance = Random(seed)  # noqa: S311  (likewise)
        cut = []
        for index in range(number):
            folder = root / f"cut-{index}"
            folder.mkdir()
            cut.append(cut_recording(folder, chance))
            cut_config(folder, chance)
    for what, found in (("recordings killed", lost), ("power cuts", cut)):
        mean = sum(found) / len(found)
        print(f"{number} {what}; worst loss {max(found):.2f} s, mean {mean:.2f} s")  # noqa: T201
    return 0 if max(*lost, *cut) <= MOST_LOST_S else 1


if __name__ == "__main__":
    sys.exit(main())
