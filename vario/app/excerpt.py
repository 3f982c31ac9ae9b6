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

    Its iteration raises AppError at the end if no sample is between the two.

    Raises:
        AppError: if a time is invalid, or the first one is not before the second.
    """
    if from_time is None and to_time is None:
        return source
    start_utc = source.info.start_utc
    from_s = -math.inf if from_time is None else time_s("--from", from_time, start_utc)
    to_s = math.inf if to_time is None else time_s("--to", to_time, start_utc)
    if from_s >= to_s:
        raise AppError(f"--from {from_time} --to {to_time}: expected the first to be before the second")

    def between(samples: Iterable[Sample]) -> Iterator[Sample]:
        is_empty = True
        for sample in samples:
            if from_s <= sample.t_s <= to_s:
                is_empty = False
                yield sample
        if is_empty:
            given = (("--from", from_time), ("--to", to_time))
            options = " ".join(f"{option} {text}" for option, text in given if text is not None)
            raise AppError(f"{options}: no sample of the recording is in this part")

    return Altered(source, between)


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
