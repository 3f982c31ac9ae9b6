"""How fast the bench is: `python -m tests.bench_batch`, on a machine with nothing else to do.

Three numbers: importing a five-hour FAI/IGC file, `vario --help`, and how much faster a batch is with two
processes than with one. Wall-clock times: another busy program spoils them.
"""

from __future__ import annotations

import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from rich.console import Console

from hw_replay.open import open_source
from hw_replay.recording import RecordingWriter
from hw_replay.simulate.demo import BUNDLED
from vario.app.batch.batch import find_jobs
from vario.app.batch.workers import Processes

FLIGHTS = 8
IMPORT_BELOW_S, HELP_BELOW_S, SPEED_UP_FROM = 5.0, 0.3, 1.8


def write_igc(path: Path, hours: float) -> None:
    """Straight and circling in turn at 25 m/s, a fix a second, with airspeed, track and another's vario."""
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


def timed(work: Callable[[], object]) -> float:
    """Wall-clock time of some work, s."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def vario(*arguments: str) -> Callable[[], object]:
    """A command, run in a process of its own."""
    command = [sys.executable, "-m", "vario.app.cli", *arguments]
    return lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL)  # noqa: S603  (our own command)


def copies(folder: Path, count: int) -> None:
    """As many flights of seven minutes."""
    demo = open_source(BUNDLED)
    for place in range(count):
        with RecordingWriter(folder / f"{place}.mcap", demo.info) as writer:
            for sample in demo:
                if sample.t_s > 420.0:
                    break
                writer.write(sample)


def main() -> int:
    """Measure and say; 1 if a target is missed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_igc(folder / "five.igc", 5.0)
        import_s = timed(vario("import", str(folder / "five.igc"), "--out", str(folder / "five.mcap")))
        help_s = min(timed(vario("--help")) for _ in range(3))
        (folder / "flights").mkdir()
        copies(folder / "flights", FLIGHTS)
        jobs = find_jobs(folder / "flights", None)
        one_s, two_s = (timed(lambda n=n: list(Processes(n).run(jobs))) for n in (1, 2))
    out = Console(highlight=False)
    out.print(f"import of a five-hour IGC file {import_s:6.2f} s (target below {IMPORT_BELOW_S:g} s)")
    out.print(f"vario --help                   {help_s:6.2f} s (target below {HELP_BELOW_S:g} s)")
    out.print(f"{FLIGHTS} flights, one process         {one_s:6.1f} s")
    out.print(f"{FLIGHTS} flights, two processes       {two_s:6.1f} s")
    out.print(f"so many times as fast          {one_s / two_s:6.2f}   (target {SPEED_UP_FROM:g})")
    met = import_s < IMPORT_BELOW_S and help_s < HELP_BELOW_S and one_s / two_s >= SPEED_UP_FROM
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
