"""Format the times of a flight."""

from __future__ import annotations

from datetime import datetime, timedelta


def clock(seconds: float) -> str:
    """Hours, minutes and seconds: 3725 s is "1:02:05", 65 s is "1:05"."""
    whole = round(seconds)
    minutes, hours = whole // 60 % 60, whole // 3600
    return f"{hours}:{minutes:02}:{whole % 60:02}" if hours else f"{minutes}:{whole % 60:02}"


def duration_text(seconds: float) -> str:
    """A duration in a form that cannot be read as a time of day: "14 min 01 s", "3 h 05 min"."""
    whole = round(seconds)
    hours, minutes = whole // 3600, whole // 60 % 60
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min {whole % 60:02} s"


def hours_utc(t_s: float, start_utc: datetime | None) -> str:
    """As `utc_or_clock`, but hours of later days go on from 24: 10:00 of the second day is "34:00:00"."""
    if start_utc is None:
        return clock(t_s)
    midnight = start_utc.replace(hour=0, minute=0, second=0, microsecond=0)
    whole = int((start_utc - midnight).total_seconds() + t_s)
    return f"{whole // 3600:02}:{whole // 60 % 60:02}:{whole % 60:02}"


def utc_or_clock(t_s: float, start_utc: datetime | None) -> str:
    """UTC of a time in a recording; without the time of its beginning, the time since then."""
    return clock(t_s) if start_utc is None else f"{start_utc + timedelta(seconds=t_s):%H:%M:%S}"
