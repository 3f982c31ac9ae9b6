"""`python -m tests.campaigns.soak`: a day of simulated flight, monitored; `python -m tests.campaigns.soak
live`: an hour of the live program.

Prints one row per hour (live: per minute) and a verdict; the exit code is 0 if nothing is wrong. The digest
covers every reading so far to the last bit, so that two runs or two interpreters can be compared. It is equal
only with the same NumPy: another version contains another LAPACK, which differs in the last bits of the lift
around the circle.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
from pathlib import Path

from rich.console import Console

from tests.campaigns.soak.cockpit import BROWSERS
from tests.campaigns.soak.flight import HOUR_S, LONGEST_S, Hour, soak
from tests.campaigns.soak.live import live
from tests.campaigns.soak.watched import MINUTE_S, Row, Watched


def main() -> int:
    """Run the flight, and print the findings."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.soak", description=__doc__)
    parser.add_argument("what", nargs="?", choices=("day", "live"), default="day", help="default: day")
    parser.add_argument("--hours", type=float, default=LONGEST_S / HOUR_S, help="of the day")
    parser.add_argument("--trace", action="store_true", help="trace memory: takes six times as long")
    parser.add_argument("--minutes", type=float, default=60.0, help="of the live run")
    arguments = parser.parse_args()
    out = Console(highlight=False, width=160)
    if arguments.what == "live":
        return _live(arguments.minutes, out)
    return _flight(arguments.hours, out, trace=arguments.trace)


def _flight(hours: float, out: Console, *, trace: bool) -> int:
    if not 0.0 < hours * HOUR_S <= LONGEST_S:
        out.print(f"--hours {hours:g}: expected more than 0, up to {LONGEST_S / HOUR_S:g}")
        return 2
    row_s = min(HOUR_S, hours * HOUR_S)
    out.print(f"{hours:g} h of flight, 100 Hz inertial, 50 Hz pressures; Python {platform.python_version()}")
    out.print(
        "    h  × real  p50 µs  p99 µs  p99/p50  RSS MB   blocks  traced kB  restarts  "
        "asymmetry est. wind   smallest est. wind   digest"
    )

    def tell(row: Hour) -> None:
        traced = "-" if row.traced_kb is None else f"{row.traced_kb:.0f}"
        out.print(
            f"{row.until_s / HOUR_S:5.1f} {row.speed:7.1f} {row.p50_us:7.0f} {row.p99_us:7.0f} "
            f"{row.p99_us / row.p50_us:8.2f} {row.rss_kb / 1024.0:7.1f} {row.blocks:8} {traced:>10} "
            f"{row.restarts:9}  {row.asymmetry[0]:9.1e} {row.asymmetry[1]:9.1e}  "
            f"{row.smallest[0]:8.1e} {row.smallest[1]:8.1e}   {row.digest[:16]}"
        )

    found = soak(hours * HOUR_S, row_s, tell, trace=trace)
    for name, worst in found.watch.worst.items():
        out.print(
            f"covariance {name:10} {worst.checks} checks, {worst.failed} failed; asymmetry at most "
            f"{worst.asymmetry:.1e}, smallest eigenvalue of the correlations {worst.smallest:.1e}"
        )
    out.print(f"digest of {found.digest.readings} readings: {found.digest.text}")
    return verdict(found.problems(), out)


def _live(minutes: float, out: Console) -> int:
    out.print(f"{minutes:g} min of `vario run`, everything on; Python {platform.python_version()}")
    out.print("  min   RSS MB  % core  files  threads  overruns  gaps  late  page MB  % core")

    def tell(row: Row) -> None:
        out.print(
            f"{row.t_s / MINUTE_S:5.1f} {row.rss_kb / 1024.0:8.1f} {row.cpu_share:7.1%} {row.files:6} "
            f"{row.threads:8} {row.overruns:9} {row.gaps:5} {row.late:5} {row.page_kb / 1024.0:8.1f} "
            f"{row.page_share:7.1%}"
        )

    with tempfile.TemporaryDirectory() as folder:
        row_s = min(MINUTE_S, minutes * MINUTE_S / 4.0)
        found = live(Path(folder), minutes * MINUTE_S, row_s=row_s, tell=tell)
    _told(found, out)
    return verdict(found.problems() + found.pauses(), out)


def _told(found: Watched, out: Console) -> None:
    out.print(f"last of {found.statuses} statuses: {found.status}")
    out.print(
        f"{found.visits} visitors; sentences to the one who behaves: "
        f"{', '.join(f'{count} {kind}' for kind, count in found.sentences.items())}; "
        f"at most {found.without_s:.2f} s without"
    )
    out.print(f"{found.steps} steps of the knob; {found.messages} messages to {BROWSERS} browsers")
    out.print(f"sound: {found.heard_s:.0f} s, of which {found.silent_s:.0f} s silence")
    if found.recording is not None:
        in_it = found.recording
        counts = ", ".join(f"{count} {name}" for name, count in in_it.samples.items())
        gaps = ", ".join(f"{name} {gap_s * 1000.0:.0f}" for name, gap_s in in_it.longest_s.items())
        out.print(
            f"recording of {in_it.span_s:.1f} s: {counts}; {in_it.changes} changes, {in_it.marks} marks"
        )
        out.print(f"longest between two readings, ms: {gaps}")
        out.print(
            f"inertial period off by {in_it.off_ms[0]:.2f} ms median, {in_it.off_ms[1]:.2f} ms at the 99th "
            f"percentile, {in_it.off_ms[2]:.1f} ms at most"
        )


def verdict(problems: list[str], out: Console) -> int:
    """Print the verdict; returns the exit code."""
    for problem in problems:
        out.print(f"WRONG: {problem}")
    out.print("verdict: " + ("something is wrong" if problems else "nothing is wrong"))
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
