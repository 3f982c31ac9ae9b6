"""The start time of a recording that does not contain one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hw_replay.metadata import FIRST_YEAR, LAST_YEAR
from hw_replay.source import RecordingInfo, Source
from vario.app.errors import AppError


def started(source: Source, text: str) -> RecordingInfo:
    """The metadata, with the UTC time of the first sample from the command line.

    Raises:
        AppError: if the text is not such a time, or the recording contains another one.
    """
    if source.info.start_utc is not None:
        raise AppError(f"--start-utc {text}: the recording contains its start time, {source.info.start_utc}")
    try:
        given = datetime.fromisoformat(text)
    except ValueError:
        raise AppError(f"--start-utc {text}: expected a time such as 2026-05-01T10:00:00") from None
    given = given.replace(tzinfo=UTC) if given.tzinfo is None else given.astimezone(UTC)
    if not FIRST_YEAR <= given.year <= LAST_YEAR:
        raise AppError(f"--start-utc {text}: expected a year from {FIRST_YEAR} to {LAST_YEAR}")
    first_s = next((sample.t_s for sample in source), 0.0)
    return replace(source.info, start_utc=given - timedelta(seconds=first_s))
