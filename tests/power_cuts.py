"""Power cuts for the recorder: `python -m tests.power_cuts 100` kills so many at random moments.

Each writer is a process of its own that records at four times real time and notes how far it is before each
sample. A kill (SIGKILL) leaves what the operating system has; what a card has after a real power failure is
that of the last fsync, which no test without a card can tell.
"""

from __future__ import annotations

import os
import random
import signal
import struct
import sys
import tempfile
import time
from pathlib import Path

from drivers.samples import Baro, ImuAccel
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from vario.app.live.recorder import FlightFiles, Recorder

SPEED = 4.0
AT_ONCE = 10
LONGEST_S = 2.0
_TIME = struct.Struct("<d")


def write_until_killed(folder: Path) -> None:
    """Record for ever, 50 Hz barometer and 100 Hz accelerometer in recorded time."""
    progress = os.open(folder / "progress", os.O_CREAT | os.O_WRONLY)
    recorder = Recorder(FlightFiles(folder, sync_s=1.0))
    recorder.begin(RecordingInfo("Flight {number}", "live"))
    begun_s = time.monotonic()
    step = 0
    while True:
        step += 1
        t_s = 1.0 + step / 100.0
        os.pwrite(progress, _TIME.pack(t_s), 0)
        recorder.put(ImuAccel(t_s, 0.1, -0.2, -9.8 + step % 7 / 100.0))
        if step % 2 == 0:
            recorder.put(Baro(t_s, 95_000.0 - step / 3.0))
        time.sleep(max(0.0, begun_s + step / 100.0 / SPEED - time.monotonic()))


def losses(root: Path, count: int, seed: int) -> list[float]:
    """Recorded seconds lost by each of `count` killed recordings; raises if one cannot be read."""
    chance = random.Random(seed)  # noqa: S311  (moments, not secrets)
    found: list[float] = []
    for first in range(0, count, AT_ONCE):
        folders = [root / f"{index:03}" for index in range(first, min(first + AT_ONCE, count))]
        doomed = []
        for folder in folders:
            folder.mkdir()
            pid = os.fork()
            if pid == 0:
                write_until_killed(folder)
            doomed.append((chance.uniform(0.05, LONGEST_S), pid))
        begun_s = time.monotonic()
        for at_s, pid in sorted(doomed):
            time.sleep(max(0.0, begun_s + at_s - time.monotonic()))
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        found += [_loss_s(folder) for folder in folders]
    return found


def _loss_s(folder: Path) -> float:
    progress = folder / "progress"
    if not progress.exists():
        return 0.0  # killed before it took its first sample
    (reached_s,) = _TIME.unpack(progress.read_bytes())
    files = list(folder.glob("*.mcap"))
    if not files or not files[0].stat().st_size:
        return float(reached_s - 1.0)
    times = [sample.t_s for sample in Recording(files[0])]
    return float(reached_s - max(times, default=1.0))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        lost = losses(Path(scratch), int(sys.argv[1]), seed=int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    mean = sum(lost) / len(lost)
    print(f"{len(lost)} recordings killed; worst loss {max(lost):.2f} s, mean {mean:.2f} s")  # noqa: T201
    sys.exit(0 if max(lost) <= 2.0 else 1)
