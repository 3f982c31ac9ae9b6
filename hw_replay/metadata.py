"""What a recording says about itself, as MCAP metadata records."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path

from hw_replay.errors import RecordingError
from hw_replay.files import title_of
from hw_replay.source import RecordingInfo, SensorInfo

FORMAT_VERSION = "1"

RECORDING = "recording"
SENSOR_PREFIX = "sensor/"
SETTINGS = "settings"
GLIDER = "glider"
CALIBRATION = "calibration"
CLOCK = "clock"
"""Added while recording, as soon as the date is known."""


def metadata_of(info: RecordingInfo) -> Iterator[tuple[str, dict[str, str]]]:
    """The metadata records that say what `info` says, in the order they stand in the file."""
    yield (
        RECORDING,
        _without_none(
            format_version=FORMAT_VERSION,
            title=info.title,
            origin=info.origin,
            start_utc=info.start_utc and info.start_utc.isoformat(),
        ),
    )
    for name, sensor in info.sensors.items():
        values = {field.name: getattr(sensor, field.name) for field in fields(SensorInfo)}
        yield f"{SENSOR_PREFIX}{name}", _without_none(**values)
    if info.config_toml is not None:
        yield SETTINGS, {"toml": info.config_toml}
    if info.glider_toml is not None:
        yield GLIDER, {"toml": info.glider_toml}
    if info.calibration:
        yield CALIBRATION, dict(info.calibration)


def info_of(metadata: Mapping[str, Mapping[str, str]], path: Path) -> RecordingInfo:
    """The other way round; anything missing or unreadable is left at "not known".

    Raises:
        RecordingError: if a later version of this format wrote the metadata.
    """
    about = metadata.get(RECORDING, {})
    version = about.get("format_version", FORMAT_VERSION)
    if version != FORMAT_VERSION:
        raise RecordingError(
            f"{path}: recording format version {version!r}; this program reads {FORMAT_VERSION!r}"
        )
    sensors = {
        name.removeprefix(SENSOR_PREFIX): SensorInfo(
            data.get("name"), *(_float(data.get(key)) for key in ("rate_hz", "noise", "latency_s"))
        )
        for name, data in metadata.items()
        if name.startswith(SENSOR_PREFIX)
    }
    return RecordingInfo(
        title=about.get("title", title_of(path)),
        origin=about.get("origin", "not stated"),
        start_utc=_instant(about.get("start_utc")),
        sensors=sensors,
        config_toml=metadata.get(SETTINGS, {}).get("toml"),
        glider_toml=metadata.get(GLIDER, {}).get("toml"),
        calibration=metadata.get(CALIBRATION, {}),
    )


def late_start_utc(clock: Mapping[str, str]) -> datetime | None:
    """The UTC instant at `t_s` = 0 of a `CLOCK` record."""
    return _instant(clock.get("start_utc"))


def _without_none(**values: object) -> dict[str, str]:
    return {key: str(value) for key, value in values.items() if value is not None}


def _float(text: str | None) -> float | None:
    """A positive, finite figure; anything else is as good as none."""
    try:
        value = math.nan if text is None else float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0.0 else None


def _instant(text: str | None) -> datetime | None:
    try:
        instant = None if text is None else datetime.fromisoformat(text)
    except ValueError:
        return None
    return instant.replace(tzinfo=UTC) if instant is not None and instant.tzinfo is None else instant
