"""What knobs, voice and live page cost the vario: `python -m tests.bench.cockpit`.

Runs `vario run` in real time with fake chips, sound, recorder and sentences, alternately without and with
knob, voice and live page for five browsers: every ten seconds 80 steps of the knob with one change of a
setting, and one spoken answer. Both kinds of run are made in turn, so that other load affects both. The
service unit uses the real-time class: `chrt -r 20 python -m tests.bench.cockpit`. The table gives medians
of the runs and all runs.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from pathlib import Path

import numpy as np
from rich.console import Console

from tests.campaigns.soak.live import live
from tests.campaigns.soak.watched import Watched

FIGURES = (
    "share of one core",
    "period error, median, ms",
    "period error, 99 %, ms",
    "period error, most, ms",
    "overruns",
    "gaps in the sound",
)


def figures(found: Watched) -> list[float]:
    """The figures of a run in the order of `FIGURES`."""
    assert found.recording is not None
    last = found.rows[-1]
    share = float(np.mean([row.cpu_share for row in found.rows]))
    return [share, *found.recording.off_ms, last.overruns, last.gaps]


def main() -> int:
    """Run, and print a table; the exit code is 1 if a run had a fault."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.cockpit", description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="of each run")
    parser.add_argument("--pairs", type=int, default=3, help="of runs")
    arguments = parser.parse_args()
    out = Console(highlight=False, width=120)
    table: dict[bool, list[list[float]]] = {False: [], True: []}
    faults: list[str] = []
    for _ in range(arguments.pairs):
        for with_cockpit in (False, True):
            with tempfile.TemporaryDirectory() as folder:
                found = live(
                    Path(folder),
                    arguments.seconds,
                    row_s=arguments.seconds / 4.0,
                    change_s=math.inf,
                    with_cockpit=with_cockpit,
                )
            faults += found.problems()
            if found.recording is None:
                continue
            table[with_cockpit].append(figures(found))
            if with_cockpit:
                server = found.rows[-1]
                out.print(
                    f"{found.steps} steps, {found.changes} changes, {found.messages} messages to browsers; "
                    f"server of the page {server.page_share:.1%} of a core, {server.page_kb / 1024.0:.0f} MB"
                )
    off, on = (np.array(table[key]) for key in (False, True))
    out.print(f"{'':28}{'off':>9}{'on':>9}   all runs, off and on of each pair")
    for k, name in enumerate(FIGURES):
        pairs = ", ".join(f"{a:.3g} {b:.3g}" for a, b in zip(off[:, k], on[:, k], strict=True))
        out.print(f"{name:28}{np.median(off[:, k]):9.3g}{np.median(on[:, k]):9.3g}   {pairs}")
    ratios = " ".join(f"{ratio:.2f}" for ratio in on[:, 0] / off[:, 0])
    out.print(f"share with knob, voice and page as a multiple of that without: {ratios}")
    for fault in faults:
        out.print(f"WRONG: {fault}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
