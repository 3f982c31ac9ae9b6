"""NMEA 0183, from bytes to fixes: check and parse sentences, and discard values that are not reliable.

Source: NMEA 0183 (checksum: exclusive or of all between "$" and "*"); meaning of the fields of GGA, RMC,
VTG and GSA in the order of `pynmeagps`, for any talker. This library also converts angles, times and dates;
its parser makes an object of all fields of a sentence, which takes ten times as long. GPS dates repeat every
1024 weeks (IS-GPS-200).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache, reduce
from operator import xor

from pynmeagps import date2utc, dmm2ddd, time2utc

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

    None if it is of another type, or if a field that is used is missing or invalid.
    """
    reader = _READERS.get(sentence[3:6])  # after "$" and the talker
    if reader is None:
        return None
    head, *fields = sentence.partition("*")[0].split(",")
    try:
        return reader(fields) if len(head) == _HEAD else None
    except (ValueError, LookupError):
        return None


def _gga(fields: list[str]) -> Fix:
    good = _whole(fields[5]) in GOOD_QUALITY
    latitude, longitude = _degrees(fields[1], fields[2] == "S"), _degrees(fields[3], fields[4] == "W")
    altitude = _number(fields[8])
    position = None
    if good and latitude is not None and longitude is not None and altitude is not None:
        position = (latitude, longitude, altitude)
    return Fix(
        "GGA",
        utc_time=_time(fields[0]),
        position=position,
        has_fix=good,
        satellites=_whole(fields[6]),
        hdop=_number(fields[7]),
    )


def _rmc(fields: list[str]) -> Fix:
    valid = fields[1] == "A" and (len(fields) <= 11 or fields[11] not in BAD_MODES)
    utc_time, day = _time(fields[0]), _day(fields[8])
    if not valid:
        return Fix("RMC", utc_time=utc_time, has_fix=False)
    return Fix(
        "RMC",
        utc_time=utc_time,
        velocity_mps=_velocity(fields[6], fields[7]),
        utc=None if utc_time is None or day is None else datetime.combine(unrolled(day), utc_time, UTC),
        has_fix=True,
        day=day,
    )


def _vtg(fields: list[str]) -> Fix:
    valid = len(fields) <= 8 or fields[8] not in BAD_MODES
    return Fix("VTG", velocity_mps=_velocity(fields[4], fields[0]) if valid else None)


def _gsa(fields: list[str]) -> Fix:
    dimensions = _whole(fields[1])
    return Fix("GSA", dimensions=1 if dimensions is None else dimensions, hdop=_number(fields[15]))


_READERS: dict[str, Callable[[list[str]], Fix]] = {"GGA": _gga, "RMC": _rmc, "VTG": _vtg, "GSA": _gsa}
_HEAD = len("$GPGGA")


def unrolled(day: date) -> date:
    """The date plus as many times 1024 weeks as are needed to reach the first possible date."""
    while day < NOT_BEFORE:
        day += ROLLOVER
    return day


def _velocity(speed_text: str, course_text: str) -> tuple[float, float] | None:
    speed_kt, course_deg = _number(speed_text), _number(course_text)
    if speed_kt is None:
        return None
    speed_mps = speed_kt * MPS_PER_KT
    if course_deg is None:
        return (0.0, 0.0) if speed_mps < STILL_MPS else None
    course = math.radians(course_deg)
    return speed_mps * math.cos(course), speed_mps * math.sin(course)


def _number(text: str) -> float | None:
    value = float(text) if text else None
    return value if value is not None and math.isfinite(value) else None


def _whole(text: str) -> int | None:
    return int(text) if text else None


def _degrees(text: str, negative: bool) -> float | None:
    degrees = dmm2ddd(text)
    if not isinstance(degrees, float) or not math.isfinite(degrees):
        return None
    return -degrees if negative else degrees


@lru_cache(maxsize=4)
def _time(text: str) -> time | None:
    """All sentences of an epoch have the same time: it is parsed once."""
    value = time2utc(text)
    return value if isinstance(value, time) else None


@lru_cache(maxsize=4)
def _day(text: str) -> date | None:
    value = date2utc(text)
    return value if isinstance(value, date) else None
