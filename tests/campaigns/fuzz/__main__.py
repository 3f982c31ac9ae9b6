"""`python -m tests.campaigns.fuzz`: a million damaged inputs for every reader of external bytes.

Each case must give plausible data or a typed error of this project, in bounded time. A failing case is saved
in a file; `--again FILE` runs it again without catching its error. The exit code is 0 if nothing was found.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console

from tests.campaigns.fuzz.bombs import BOMBS, burst
from tests.campaigns.fuzz.campaign import Finding, fuzz, keep
from tests.campaigns.fuzz.targets import Target, targets

CASES = 1_000_000
MEMORY = Path("/dev/shm")  # noqa: S108  (a folder of our own is made in it)


def main() -> int:
    """Run the campaign, or one case again."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.fuzz", description=__doc__)
    parser.add_argument("--cases", type=int, default=CASES, help="over all targets")
    parser.add_argument("--target", action="append", help="only targets whose name contains this")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("out/fuzz"), help="folder for what is found")
    parser.add_argument("--bombs", type=int, metavar="BYTES", help="instead: files that ask for too much")
    parser.add_argument("--again", type=Path, help="a case that was found")
    arguments = parser.parse_args()
    out = Console(highlight=False, emoji=False, width=140)
    place = str(MEMORY) if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=place) as folder:
        if arguments.bombs is not None:
            return _bombs(Path(folder), arguments.bombs, out)
        chosen = [
            target
            for target in targets(Path(folder))
            if not arguments.target or any(part in target.name for part in arguments.target)
        ]
        if not chosen:
            parser.error(f"--target {arguments.target}: expected a part of the name of a target")
        if arguments.again is not None:
            name = arguments.again.name.rpartition("-")[0].replace("_", " ")
            (target,) = (target for target in chosen if target.name == name)
            out.print(target.run(arguments.again.read_bytes()))
            return 0
        return _campaign(chosen, arguments.cases, arguments.seed, arguments.out, out)


def _campaign(chosen: list[Target], cases: int, seed: int, folder: Path, out: Console) -> int:
    out.print(f"{cases} cases, seed {seed}")
    out.print("target               cases    data  different outcomes  cases/s  slowest ms")
    whole = sum(target.share for target in chosen)
    begun_s = time.monotonic()
    found: list[Finding] = []
    ran, different, cpu_s = 0, 0, 0.0
    for target in chosen:
        tally = fuzz(target, max(1, round(cases * target.share / whole)), seed)
        found += tally.findings
        ran, different, cpu_s = ran + tally.cases, different + len(tally.outcomes), cpu_s + tally.cpu_s
        out.print(
            f"{target.name:18} {tally.cases:7} {tally.accepted / tally.cases:7.1%} {len(tally.outcomes):19} "
            f"{tally.cases / max(tally.cpu_s, 1e-6):8.0f} {tally.slowest_s * 1000.0:11.1f}"
        )
        for finding in tally.findings:
            out.print(f"  FOUND {finding.problem}  ({finding.name})", markup=False)
        if tally.findings:
            keep(tally.findings, folder)
    out.print(
        f"{ran} cases, {different} different outcomes, {len(found)} findings; "
        f"{cpu_s:.0f} s of processor time ({ran / cpu_s:.0f} cases/s), {time.monotonic() - begun_s:.0f} s"
    )
    return 1 if found else 0


def _bombs(folder: Path, size: int, out: Console) -> int:
    wrong = 0
    for bomb in BOMBS:
        (found,) = burst([bomb], folder, size)
        wrong += not found.well
        out.print(
            f"{'ok   ' if found.well else 'FOUND'} {found.name:16} {found.cpu_s:6.1f} s "
            f"{found.peak_mb:6.0f} MB  {found.outcome}",
            markup=False,
        )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
