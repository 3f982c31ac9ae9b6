"""The metadata of a recording as MCAP metadata records."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path

from hw_replay.errors import RecordingError
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.text import encodable, one_line, title_of

FORMAT_VERSION = "2"
"""Messages in Protocol Buffers."""

READABLE = frozenset({"1", FORMAT_VERSION})
"""Version 1 has messages in JSON."""

RECORDING = "recording"
SENSOR_PREFIX = "sensor/"
SETTINGS = "settings"
GLIDER = "glider"
CLOCK = "clock"
"""The record that is added during recording, as soon as the date is known."""

LONGEST = 500
"""Largest number of characters kept of a text, because of the space in pictures and pages."""

FIRST_YEAR, LAST_YEAR = 1980, 2079
"""GNSS time begins in 1980 (IS-GPS-200, 3.3.4). FAI/IGC files and RMC contain two digits of the year, which
are read as a year in this range."""


def metadata_of(info: RecordingInfo) -> Iterator[tuple[str, dict[str, str]]]:
    """The metadata records for `info`, in the order of the file."""
    yield (
        RECORDING,
        _without_none(
            format_version=FORMAT_VERSION,
            title=one_line(info.title),
            origin=one_line(info.origin),
            start_utc=info.start_utc and info.start_utc.isoformat(),
            longest_step_s=info.longest_step_s,
            glider_type=info.glider_type and one_line(info.glider_type),
        ),
    )
    for name, sensor in info.sensors.items():
        values = {field.name: getattr(sensor, field.name) for field in fields(SensorInfo)}
        values["name"] = None if sensor.name is None else one_line(sensor.name)
        yield f"{SENSOR_PREFIX}{name}", _without_none(**values)
    if info.config_toml is not None:
        yield SETTINGS, {"toml": encodable(info.config_toml)}
    if info.glider_toml is not None:
        yield GLIDER, {"toml": encodable(info.glider_toml)}


def info_of(metadata: Mapping[str, Mapping[str, str]], path: Path) -> RecordingInfo:
    """The metadata from its records; a missing or unreadable value is None or empty.

    Raises:
        RecordingError: if a later version of this format wrote the metadata.
    """
    about = metadata.get(RECORDING, {})
    version = about.get("format_version", FORMAT_VERSION)
    if version not in READABLE:
        raise RecordingError(
            f"{path}: recording format version {version!r}; this program reads up to {FORMAT_VERSION!r}"
        )
    sensors = {
        one_line(name.removeprefix(SENSOR_PREFIX)): SensorInfo(
            _text(data.get("name")), *(_float(data.get(key)) for key in ("rate_hz", "noise", "latency_s"))
        )
        for name, data in metadata.items()
        if name.startswith(SENSOR_PREFIX)
    }
    start_utc, doubt = _believable(about.get("start_utc"))
    return RecordingInfo(
        title=_text(about.get("title")) or title_of(path),
        origin=_text(about.get("origin")) or "not stated",
        start_utc=start_utc,
        sensors=sensors,
        config_toml=metadata.get(SETTINGS, {}).get("toml"),
        glider_toml=metadata.get(GLIDER, {}).get("toml"),
        longest_step_s=_float(about.get("longest_step_s")),
        glider_type=_text(about.get("glider_type")),
        doubts=() if doubt is None else (doubt,),
    )


def with_late_start(info: RecordingInfo, clock: Mapping[str, str]) -> RecordingInfo:
    """The metadata of a recording, with UTC at `t_s` = 0 from a `CLOCK` record."""
    start_utc, doubt = _believable(clock.get("start_utc"))
    return replace(info, start_utc=start_utc, doubts=info.doubts if doubt is None else (*info.doubts, doubt))


def _text(text: str | None) -> str | None:
    """A text of bounded length on one line; None if it is missing or empty."""
    return one_line(text)[:LONGEST] if text else None


def _without_none(**values: object) -> dict[str, str]:
    return {key: str(value) for key, value in values.items() if value is not None}


def _float(text: str | None) -> float | None:
    """A finite number that is not negative; None for anything else."""
    try:
        value = math.nan if text is None else float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0.0 else None


def _believable(text: str | None) -> tuple[datetime | None, str | None]:
    """The time in a text, in UTC, and a sentence if it cannot be true."""
    if text is None:
        return None, None
    try:
        instant = datetime.fromisoformat(text)
        instant = instant.replace(tzinfo=UTC) if instant.tzinfo is None else instant.astimezone(UTC)
        if FIRST_YEAR <= instant.year <= LAST_YEAR:
            return instant, None
    except (ValueError, OverflowError):  # OverflowError: within hours of year 1 or 9999
        pass
    shown = one_line(text[:40])
    return None, (
        f"the recording states the start {shown!r}, which is not within {FIRST_YEAR} to {LAST_YEAR}: "
        "its date is not known"
    )
