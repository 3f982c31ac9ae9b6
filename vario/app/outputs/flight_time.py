"""Format the times of a flight."""

from __future__ import annotations


def clock(seconds: float) -> str:
    """Hours, minutes and seconds: 3725 s is "1:02:05", 65 s is "1:05"."""
    whole = round(seconds)
    minutes, hours = whole // 60 % 60, whole // 3600
    return f"{hours}:{minutes:02}:{whole % 60:02}" if hours else f"{minutes}:{whole % 60:02}"
