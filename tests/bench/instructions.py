"""Count the instructions that the instrument needs: `make instructions`.

    python -m tests.bench.instructions                    # count, print
    python -m tests.bench.instructions --check            # and fail at 10 % above a limit; 2: there is none
    python -m tests.bench.instructions --write            # and keep the counts as the new limits

Instructions, unlike time, do not depend on the load and the speed of the machine. They are counted by
cachegrind, a tool of valgrind (`apt install valgrind`) that needs no privileges. They depend on processor,
Python and how it was built, so the limits name these.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

import vario.flight.pipeline
from hw_replay.simulate.demo import BUNDLED
from tests.bench.counted import FLOWN_S, PARTS, WARM_S

LIMITS = Path(__file__).with_name("instructions.toml")
MARGIN = 1.10
"""A count may be this much above its limit."""

COUNTER = ("--tool=cachegrind", "--cache-sim=no", "--branch-sim=no", "--cachegrind-out-file=/dev/null")
_COUNT = re.compile(r"I\s+refs:\s+([\d,]+)")

SETTINGS = """
[sensors.imu]
chip = "LSM6DSO"
[sensors.baro]
chip = "MS5611"
[sensors.pitot]
chip = "MS4525DO"
[recorder]
folder = "flights"
"""

START = """
import fcntl, os, sys
import smbus2
class Adapter:
    fd = None
    def __init__(self, number): pass
    def close(self): pass
smbus2.SMBus = Adapter
fcntl.ioctl = lambda *_: os._exit(0)
from vario.app.cli import main
main(["run", "--config", sys.argv[1], "--silent"])
"""
"""`vario run` up to the first transfer on the bus of the system, where the adapter ends the process."""

START_WITH_FAKES = """
import os, sys
from drivers.fakes import FakeBus
FakeBus.write_read = lambda *_: os._exit(0)
from vario.app.cli import main
main(["run", "--emulate", sys.argv[2], "--silent"])
"""


def main() -> None:
    """Count, print, and compare or keep."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--check", action="store_true", help="fail if a count is 10 %% above its limit")
    parser.add_argument("--write", action="store_true", help="keep the counts as limits")
    parser.add_argument("--only", action="append", default=[], metavar="PART", help="count this part only")
    arguments = parser.parse_args()
    if shutil.which("valgrind") is None:
        sys.exit("instructions: needs valgrind: apt install valgrind")
    counts = counted(set(arguments.only))
    print(f"millions of instructions, of a flown second or a start; {build()}")
    for name, count in counts.items():
        print(f"  {name:18} {count:8.1f}")
    every = tomllib.loads(LIMITS.read_text(encoding="utf-8")) if LIMITS.exists() else {}
    if arguments.write:
        every[build()] = _with_sum(every.get(build(), {}) | counts)
        LIMITS.write_text(_toml(every), encoding="utf-8")
    if arguments.check:
        limits = every.get(build())
        if limits is None:
            print(f"NOT CHECKED: {LIMITS.name} has no limits for {build()}; --write makes them")
            sys.exit(2)
        if without := counts.keys() - limits.keys():
            print(f"not checked, because {LIMITS.name} has no limit: {', '.join(sorted(without))}")
        sys.exit(_compared(counts, limits))


def _compared(counts: dict[str, float], limits: dict[str, float]) -> str | None:
    worse = [
        f"{name} {counts[name]:.1f}, expected at most {MARGIN * limits[name]:.1f}"
        for name in counts.keys() & limits.keys()
        if counts[name] > MARGIN * limits[name]
    ]
    return f"instructions: more than {LIMITS.name} allows, in millions: {'; '.join(worse)}" if worse else None


def build() -> str:
    """Processor, Python and kind of build. Debian builds its Python with profiles; many others are not."""
    kind = "interpreted" if str(vario.flight.pipeline.__file__).endswith(".py") else "compiled"
    python = f"Python {sys.version_info.major}.{sys.version_info.minor}"
    system = " of the system" if sys.base_prefix == "/usr" else ""
    return f"{platform.machine()}, {python}{system}, {kind}"


def counted(only: set[str]) -> dict[str, float]:
    """Millions of instructions: of a flown second by part, and of each start."""
    found: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        found |= _parts(folder, only)
        (folder / "vario.toml").write_text(SETTINGS, encoding="utf-8")
        starts = {
            "start": ("-c", START, str(folder / "vario.toml")),
            "start with fakes": ("-c", START_WITH_FAKES, "", str(BUNDLED)),
            "help": ("-m", "vario.app.cli", "--help"),
        }
        for what, words in starts.items():
            if not only or what in only:
                _run(words, folder)  # writes the bytecode
                log = folder / "start.log"
                _run(words, folder, log)
                found[what] = _count(log)
    return _with_sum(found)


def _with_sum(counts: dict[str, float]) -> dict[str, float]:
    """The counts, with that of the whole instrument."""
    if not {"loop", "sound"} <= counts.keys():
        return counts
    return counts | {"flown second": counts["loop"] + counts["sound"]}


def _parts(folder: Path, only: set[str]) -> dict[str, float]:
    parts = [part.__name__ for part in PARTS if not only or part.__name__ in only]
    if not parts:
        return {}
    passed = folder / "passed.pickle"
    _run(("-m", "tests.bench.counted", "prepare", str(passed)), folder)
    _run(("-m", "tests.bench.counted", "count", str(passed), *parts), folder, folder / "%p.log")
    numbers = json.loads(passed.with_suffix(".json").read_text(encoding="utf-8"))
    millions = {part: _count(folder / f"{number}.log") for part, number in numbers.items()}
    return {
        name: (millions[f"{name} {FLOWN_S:g}"] - millions[f"{name} {WARM_S:g}"]) / (FLOWN_S - WARM_S)
        for name in parts
    }


def _run(words: tuple[str, ...], folder: Path, log: Path | None = None) -> None:
    """Run Python; with `log`, inside the counter."""
    counter = () if log is None else ("valgrind", *COUNTER, f"--log-file={log}")
    here = str(Path(__file__).parents[2])
    # The same hashes, one thread, and bytecode beside neither the sources nor the libraries.
    fixed = {
        "PYTHONHASHSEED": "0",
        "OPENBLAS_NUM_THREADS": "1",
        "PYTHONPYCACHEPREFIX": str(folder / "bytecode"),
    }
    path = os.pathsep.join(
        filter(None, ("" if build().endswith("compiled") else here, os.environ.get("PYTHONPATH")))
    )
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"} | fixed
    subprocess.run(  # noqa: S603  (our own)
        (*counter, sys.executable, *words),
        check=True,
        cwd=here if "-m" in words else folder,
        env=environment | {"PYTHONPATH": path},
        stdout=subprocess.DEVNULL,
    )


def _count(log: Path) -> float:
    found = _COUNT.search(log.read_text(encoding="utf-8"))
    if found is None:
        raise ValueError(f"{log}: no count; expected a line with I refs")
    return int(found[1].replace(",", "")) / 1e6


def _toml(every: dict[str, dict[str, float]]) -> str:
    lines = ["# Millions of instructions, written by `python -m tests.bench.instructions --write`."]
    for name, counts in sorted(every.items()):
        lines += ["", f'["{name}"]', *(f'"{part}" = {count:.1f}' for part, count in counts.items())]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
