"""Memory and processor time of other processes (proc(5))."""

from __future__ import annotations

import os
from pathlib import Path

_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def status_of(process: int | str) -> dict[str, str]:
    """The lines of /proc/PID/status; `process` is a number or "self"."""
    lines = Path(f"/proc/{process}/status").read_text(encoding="utf-8").splitlines()
    return {name: value.strip() for name, value in (line.split(":", 1) for line in lines)}


def resident_kb(process: int | str) -> int:
    """Resident memory in KiB."""
    return int(status_of(process)["VmRSS"].split()[0])


def processor_s(process: int | str) -> float:
    """User and system time."""
    times = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(times[11]) + int(times[12])) / _TICKS_PER_S
