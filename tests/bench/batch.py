"""Measure import, start and batch: `python -m tests.bench.batch`, on an idle machine.

Three numbers: importing a five-hour FAI/IGC file, `vario --help`, and how much faster a batch is with two
processes than with one. Import and help are measured in processor time, which other programs hardly affect.
The batch is measured in wall-clock time, alternately with one process and with two, and the best time of each
counts, so that a temporary load affects neither alone. While other programs use the cores, the ratio has
little meaning.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from rich.console import Console

from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from hw_replay.writer import RecordingWriter
from vario.app.batch.batch import find_jobs
from vario.app.batch.workers import Processes

FLIGHTS, ROUNDS = 8, 2
IMPORT_BELOW_S, HELP_BELOW_S, SPEED_UP_FROM = 5.0, 0.3, 1.8


def write_igc(path: Path, hours: float) -> None:
    """Straight flight and circling alternately at 25 m/s, one fix per second, with airspeed, track and
    vario.
    """
    lines = ["AXXX001", "HFDTE150726", "I033638TAS3941VAT4244TRT"]
    north = east = track = 0.0
    for i in range(round(hours * 3600)):
        circling = (i // 300) % 2 == 1
        track += math.tau / 24 if circling else 0.0
        north, east = north + 25 * math.cos(track), east + 25 * math.sin(track)
        height = 1200 + round(300 * math.sin(i / 900))
        lat, lon = 48 + north / 111_200, 11 + east / 74_400
        minutes = [round((x - math.floor(x)) * 60_000) for x in (lat, lon)]
        clock = f"{8 + i // 3600:02}{i // 60 % 60:02}{i % 60:02}"
        place = f"{math.floor(lat):02}{minutes[0]:05}N{math.floor(lon):03}{minutes[1]:05}E"
        degrees = round(math.degrees(track)) % 360
        lines.append(
            f"B{clock}{place}A{height:05}{height + 50:05}090{120 if circling else 80:03}{degrees:03}"
        )
    path.write_text("\r\n".join(lines) + "\r\n", encoding="ascii", newline="")


class Took(NamedTuple):
    """The duration of some work in wall-clock time, and in processor time including child processes."""

    wall_s: float
    cpu_s: float


def timed(work: Callable[[], object]) -> Took:
    """Do some work and measure its duration."""
    began_s, before = time.perf_counter(), os.times()
    work()
    wall_s = time.perf_counter() - began_s
    for child in multiprocessing.active_children():
        child.join()  # the time of a child counts only after its end
    return Took(wall_s, sum(os.times()[:4]) - sum(before[:4]))


def vario(*arguments: str) -> Callable[[], object]:
    """Run a command in its own process."""
    command = [sys.executable, "-m", "vario.app.cli", *arguments]
    return lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL)  # noqa: S603  (our own command)


def copies(folder: Path, count: int) -> None:
    """The given number of flights of seven minutes."""
    demo = open_source(BUNDLED)
    for place in range(count):
        with RecordingWriter(folder / f"{place}.mcap", demo.info) as writer:
            for sample in demo:
                if sample.t_s > 420.0:
                    break
                writer.write(sample)


def main() -> int:
    """Measure and print; exit code 1 if a target is missed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_igc(folder / "five.igc", 5.0)
        imported = timed(vario("import", str(folder / "five.igc"), "--out", str(folder / "five.mcap")))
        helped = min((timed(vario("--help")) for _ in range(3)), key=lambda took: took.cpu_s)
        (folder / "flights").mkdir()
        copies(folder / "flights", FLIGHTS)
        jobs = find_jobs(folder / "flights", None)
        rounds = [[timed(lambda n=n: list(Processes(n).run(jobs))) for n in (1, 2)] for _ in range(ROUNDS)]
    one, two = (min(took, key=lambda t: t.wall_s) for took in zip(*rounds, strict=True))
    out = Console(highlight=False, soft_wrap=True)
    faster = one.wall_s / two.wall_s
    for name, took, target in (
        ("import of a five-hour IGC file", imported, f"processor below {IMPORT_BELOW_S:g} s"),
        ("vario --help", helped, f"processor below {HELP_BELOW_S:g} s"),
        (f"{FLIGHTS} flights, one process", one, ""),
        (f"{FLIGHTS} flights, two processes", two, f"{SPEED_UP_FROM:g} times as fast: {faster:.2f}"),
    ):
        out.print(f"{name:32} clock {took.wall_s:6.2f} s  processor {took.cpu_s:6.2f} s   {target}")
    met = imported.cpu_s < IMPORT_BELOW_S and helped.cpu_s < HELP_BELOW_S and faster >= SPEED_UP_FROM
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
