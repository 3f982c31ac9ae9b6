"""NMEA 0183, from bytes to fixes: check and parse sentences, and discard values that are not reliable.

Source: NMEA 0183 (checksum: exclusive or of all between "$" and "*"); meaning of the fields of GGA, RMC,
VTG and GSA as parsed by `pynmeagps`, for any talker. GPS dates repeat every 1024 weeks (IS-GPS-200).
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import reduce
from operator import xor
from typing import Any

from pynmeagps import VALNONE, NMEAReader
from pynmeagps.exceptions import NMEAMessageError, NMEAParseError, NMEATypeError

from drivers.quick import dataclass

MPS_PER_KT = 1852.0 / 3600.0
ROLLOVER = timedelta(weeks=1024)
NOT_BEFORE = date(2024, 1, 1)
"""No flight with this program was earlier: with an older date, the week counter has overflowed."""

GOOD_QUALITY = frozenset({1, 2, 3, 4, 5})  # of GGA; not 0 none, 6 dead reckoning, 7 manual, 8 simulated
BAD_MODES = frozenset("NEMS")  # of RMC and VTG: not valid, estimated, manual, simulated
STILL_MPS = 0.5
"""Below this speed a receiver may leave the course empty; the velocity is then taken as zero."""

LONGEST = 512
"""A line longer than this is not a sentence (the standard allows 82 characters; receivers send more)."""

# Exceptions of the parser on invalid fields, and of this module on a message without a field.
_BROKEN = (
    NMEAParseError,
    NMEAMessageError,
    NMEATypeError,
    ValueError,
    LookupError,
    TypeError,
    AttributeError,
)


@dataclass(frozen=True, slots=True)
class Fix:
    """The content of one sentence; None where it gives no reliable value.

    Attributes:
        utc_time: the epoch it belongs to.
        position: latitude and longitude in degrees, metres above mean sea level.
        velocity_mps: north and east.
        down_mps: downwards; no sentence has it.
        utc: date and time; the date is that of a receiver in use now.
        day: the date as the receiver states it.
        has_fix: whether the receiver says that it has one.
        dimensions: 2 or 3, 1 for no fix (GSA).
        satellites: used.
        hdop: horizontal dilution of precision.
    """

    kind: str
    utc_time: time | None = None
    position: tuple[float, float, float] | None = None
    velocity_mps: tuple[float, float] | None = None
    utc: datetime | None = None
    has_fix: bool | None = None
    dimensions: int | None = None
    satellites: int | None = None
    hdop: float | None = None
    down_mps: float | None = None
    day: date | None = None


class SentenceSplitter:
    """Splits a stream of bytes into sentences with a correct checksum."""

    def __init__(self) -> None:
        self.good = 0
        self.garbled = 0
        self._rest = b""

    @property
    def within_a_line(self) -> bool:
        """Whether an incomplete line is buffered."""
        return bool(self._rest)

    def feed(self, data: bytes) -> list[str]:
        """The sentences completed by `data`, from "$" to the checksum."""
        if not data:
            return []
        *lines, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > LONGEST:
            self._rest = b""
        sentences = []
        for line in lines:
            at = line.rfind(b"$")  # the text before has lost its end
            if at < 0 or len(line) - at > LONGEST:
                continue
            body, star, stored = line[at + 1 :].strip().rpartition(b"*")
            if not star:
                continue
            if stored.upper() == f"{checksum(body):02X}".encode():
                self.good += 1
                sentences.append(line[at:].strip().decode("ascii", "replace"))
            else:
                self.garbled += 1
        return sentences


def checksum(body: bytes) -> int:
    """The checksum of the characters between "$" and "*"."""
    return reduce(xor, body, 0)


def framed(body: str) -> str:
    """A sentence: "$", the body, its checksum and the line end."""
    return f"${body}*{checksum(body.encode()):02X}\r\n"


def read(sentence: str) -> Fix | None:
    """The content of a sentence of a `SentenceSplitter`.

    None if it is of another type or its fields are invalid.
    """
    if sentence.partition(",")[0][-3:] not in _READERS:
        return None
    try:
        # The splitter has checked the checksum.
        message: Any = NMEAReader.parse((sentence + "\r\n").encode(), validate=VALNONE)
        reader = _READERS.get(message.msgID) if message is not None else None
        return reader(message) if reader is not None else None
    except _BROKEN:
        return None


def _gga(message: Any) -> Fix:
    quality = message.quality if isinstance(message.quality, int) else 0
    good = quality in GOOD_QUALITY
    numbers = (message.lat, message.lon, message.alt)
    position = numbers if good and all(_is_number(n) for n in numbers) else None
    return Fix(
        "GGA",
        utc_time=_time(message.time),
        position=position,
        has_fix=good,
        satellites=message.numSV if isinstance(message.numSV, int) else None,
        hdop=message.HDOP if _is_number(message.HDOP) else None,
    )


def _rmc(message: Any) -> Fix:
    valid = message.status == "A" and getattr(message, "posMode", "A") not in BAD_MODES
    fix = Fix("RMC", utc_time=_time(message.time), has_fix=valid)
    if not valid:
        return fix
    utc = None
    day = message.date if isinstance(message.date, date) else None
    if fix.utc_time is not None and day is not None:
        utc = datetime.combine(unrolled(day), fix.utc_time, UTC)
    return replace(fix, velocity_mps=_velocity(message.spd, message.cog), utc=utc, day=day)


def _vtg(message: Any) -> Fix:
    valid = getattr(message, "posMode", "A") not in BAD_MODES
    return Fix("VTG", velocity_mps=_velocity(message.sogn, message.cogt) if valid else None)


def _gsa(message: Any) -> Fix:
    mode = message.navMode if isinstance(message.navMode, int) else 1
    return Fix("GSA", dimensions=mode, hdop=message.HDOP if _is_number(message.HDOP) else None)


_READERS = {"GGA": _gga, "RMC": _rmc, "VTG": _vtg, "GSA": _gsa}


def unrolled(day: date) -> date:
    """The date plus as many times 1024 weeks as are needed to reach the first possible date."""
    while day < NOT_BEFORE:
        day += ROLLOVER
    return day


def _velocity(speed_kt: Any, course_deg: Any) -> tuple[float, float] | None:
    if not _is_number(speed_kt):
        return None
    speed_mps = speed_kt * MPS_PER_KT
    if not _is_number(course_deg):
        return (0.0, 0.0) if speed_mps < STILL_MPS else None
    course = math.radians(course_deg)
    return speed_mps * math.cos(course), speed_mps * math.sin(course)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def _time(value: Any) -> time | None:
    return value if isinstance(value, time) else None
