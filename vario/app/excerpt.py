"""A part of a recording, such as one of its flights."""

from __future__ import annotations

import math
import re
from argparse import ArgumentParser
from collections.abc import Iterable, Iterator
from datetime import datetime

from drivers.samples import Sample
from hw_replay.source import Source
from vario.app.errors import AppError
from vario.app.options import TIME
from vario.app.outputs.flight_time import hours_utc
from vario.app.replay.altered import Altered

_CLOCK = re.compile(r"(\d{1,2}):([0-5]\d)(?::([0-5]\d))?", re.ASCII)
_SECONDS = re.compile(r"\d+(?:\.\d+)?", re.ASCII)
DAY_S = 86_400.0


def add_excerpt_options(parser: ArgumentParser) -> None:
    """Add --from and --to to a command."""
    parser.add_argument(
        "--from", dest="from_time", metavar="TIME", help=f"leave out everything before this time: {TIME}"
    )
    parser.add_argument(
        "--to",
        dest="to_time",
        metavar="TIME",
        help="leave out everything after this time, given in the same way",
    )


def excerpt(source: Source, from_time: str | None, to_time: str | None) -> Source:
    """The part of a recording between two times; the recording itself if both are None.

    Raises:
        AppError: if a time is invalid; or, at the end of an iteration, if no sample was between the two.
    """
    if from_time is None and to_time is None:
        return source
    start_utc = source.info.start_utc
    from_s = -math.inf if from_time is None else time_s("--from", from_time, start_utc)
    to_s = math.inf if to_time is None else time_s("--to", to_time, start_utc)
    if from_s >= to_s:
        raise AppError(f"--from {from_time} --to {to_time}: expected the first to be before the second")

    def between(samples: Iterable[Sample]) -> Iterator[Sample]:
        first_s, last_s, found = math.inf, -math.inf, False
        for sample in samples:
            if from_s <= sample.t_s <= to_s:
                found = True
                yield sample
            elif not found:
                first_s, last_s = min(first_s, sample.t_s), max(last_s, sample.t_s)
        if not found and last_s >= first_s:
            given = " ".join(
                f"{option} {time}" for option, time in (("--from", from_time), ("--to", to_time)) if time
            )
            raise AppError(f"{given}: no samples in this part; {reach(first_s, last_s, start_utc)}")

    return Altered(source, between)


def reach(first_s: float, last_s: float, start_utc: datetime | None) -> str:
    """Which times a recording covers, in words: UTC, or s since its beginning if that is not known."""
    if start_utc is None:
        return f"the recording is from {first_s:g} to {last_s:g} s"
    return f"the recording is from {hours_utc(first_s, start_utc)} to {hours_utc(last_s, start_utc)} UTC"


def time_s(option: str, text: str, start_utc: datetime | None = None) -> float:
    """The time in s since the beginning that a text of the command line means.

    Hours from 24 on are of the days after that of `start_utc`.

    Raises:
        AppError: if it is not a time.
    """
    clock = _CLOCK.fullmatch(text)
    if clock is None:
        if not _SECONDS.fullmatch(text):
            raise AppError(f"{option} {text}: expected a time as H:MM, H:MM:SS or in seconds")
        return float(text)
    hours, minutes, seconds = (int(part or 0) for part in clock.groups())
    of_day_s = 3600.0 * hours + 60.0 * minutes + seconds
    if start_utc is None:
        return of_day_s
    since_s = of_day_s - 3600.0 * start_utc.hour - 60.0 * start_utc.minute - start_utc.second
    return since_s if hours >= 24 else since_s % DAY_S
