"""The lines of a FAI/IGC flight file: fixes, extensions and headers, each parsed by itself.

Source: FAI/IGC "Technical Specification for IGC-approved GNSS Flight Recorders", edition of January 2026
with amendment 10, appendix A: A3.4 and A3.5 (I and J records), A4.1 (fix record), A7 (three-letter codes).
From memory: the number of digits of IAS and NET.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from hw_replay.messages import RejectedValueError

FIX_BYTES = 35
"""Length of a B record before its extensions."""
K_BYTES = 7
"""Length of a K record before its extensions."""

_KMPH = 1 / 3.6
_SPEED = {3: _KMPH, 4: _KMPH / 10, 5: _KMPH / 100}
_VERTICAL = {3: 0.1, 4: 0.01, 5: 0.01}

SCALES: Mapping[str, Mapping[int, float]] = {
    "TAS": _SPEED,  # m/s
    "IAS": _SPEED,  # m/s
    "GSP": _SPEED,  # m/s
    "TRT": {3: 1.0, 4: 0.1, 5: 0.01},  # degrees
    "VAT": _VERTICAL,  # m/s
    "VAR": _VERTICAL,  # m/s
    "NET": _VERTICAL,  # m/s
    "OAT": {4: 0.1, 5: 0.01},  # degrees Celsius
    "ACZ": {4: 0.01},  # g
    "WDI": {3: 1.0},  # degrees, where the wind comes from
    "WSP": _SPEED,  # m/s
    "WVE": _SPEED,  # m/s
}
"""The value of one unit of the last digit, by code and number of digits, in the unit noted.

A7 fixes the three-digit forms of IAS (km/h) and of VAT, VAR and NET (tenths of m/s). The wider forms
are common practice of recorders, no source: speeds and tracks have one more decimal for each digit, vertical
speeds have at most hundredths. Widths that are not listed have different meanings in different recorders and
are not used.
"""

FRACTIONS = frozenset({"LAD", "LOD", "TDS"})
"""Codes that contain further decimals: of the minutes of latitude and longitude, and of the seconds."""

_FIX = re.compile(
    r"B([01]\d|2[0-3])([0-5]\d)([0-5]\d)"
    r"(\d\d)([0-5]\d{4})([NS])(\d{3})([0-5]\d{4})([EW])([AV])([-\d]\d{4})([-\d]\d{4})",
    re.ASCII,
)
_TIME = re.compile(r"K([01]\d|2[0-3])([0-5]\d)([0-5]\d)", re.ASCII)
_DATE = re.compile(r"H[FOP]DTE(?:DATE)?[: ]*(\d\d)(\d\d)(\d\d)", re.ASCII)
_INTEGER = re.compile(r" *[-+]?\d+ *", re.ASCII)


@dataclass(frozen=True, slots=True)
class Extension:
    """The position of a value according to an I or J record."""

    code: str
    start: int  # as a Python slice
    stop: int

    @property
    def scale(self) -> float | None:
        """The value of one unit of the last digit; None if this width is not known."""
        return SCALES.get(self.code, {}).get(self.stop - self.start)

    def integer(self, line: str) -> int | None:
        """The digits as a number; None if they are blank, all nines or beyond the end of the line.

        Raises:
            RejectedValueError: if it is not a number.
        """
        text = line[self.start : self.stop]
        if len(text) < self.stop - self.start or not text.strip(" -") or not text.strip("9"):
            return None
        if not _INTEGER.fullmatch(text):
            raise RejectedValueError(f"{self.code} is not a number; the rest of the line was used")
        return int(text)

    def value(self, line: str) -> float | None:
        """The value in the unit `SCALES` gives, or None; raises as `integer` does."""
        number, scale = self.integer(line), self.scale
        return None if number is None or scale is None else number * scale

    def fraction(self, line: str) -> str:
        """The digits as further decimals; empty if there are none."""
        text = line[self.start : self.stop]
        return text if text.isascii() and text.isdecimal() else ""


Extensions = Mapping[str, Extension]


@dataclass(frozen=True, slots=True)
class BRecord:
    """A B record. `has_position`: the recorder claims a three-dimensional fix (validity A)."""

    second_of_day: float
    lat_deg: float
    lon_deg: float
    has_position: bool
    pressure_altitude_m: int
    gnss_altitude_m: int


def parse_extensions(line: str, fixed_bytes: int) -> dict[str, Extension]:
    """The extensions an I or J record declares, by code.

    Args:
        line: e.g. "I023638FXA3940SIU".
        fixed_bytes: length of the record before its extensions: `FIX_BYTES` or `K_BYTES`.

    Raises:
        RejectedValueError: if the record contradicts itself.
    """
    entries = re.findall(r"(\d\d)(\d\d)([A-Z0-9]{3})", line[3:].rstrip(), re.ASCII)
    declared = line[1:3]
    if (
        not declared.isdecimal()
        or int(declared) != len(entries)
        or len(line[3:].rstrip()) != 7 * len(entries)
    ):
        raise RejectedValueError("the declaration of extensions is damaged; they were not used")
    extensions = {code: Extension(code, int(first) - 1, int(last)) for first, last, code in entries}
    for extension in extensions.values():
        if extension.start < fixed_bytes or extension.stop <= extension.start:
            raise RejectedValueError("the declaration of extensions is damaged; they were not used")
    return extensions


def parse_fix(line: str, extensions: Extensions) -> BRecord:
    """A B record.

    Raises:
        RejectedValueError: if it is not of the form the standard gives.
    """
    match = _FIX.match(line)
    if match is None:
        raise RejectedValueError("not a fix record of the standard's form")
    hour, minute, second, lat, lat_min, north, lon, lon_min, east, valid, pressure_m, gnss_m = match.groups()
    more = {code: extensions[code].fraction(line) for code in FRACTIONS if code in extensions}
    lat_deg = int(lat) + int(lat_min + more.get("LAD", "")) / 60_000 / 10 ** len(more.get("LAD", ""))
    lon_deg = int(lon) + int(lon_min + more.get("LOD", "")) / 60_000 / 10 ** len(more.get("LOD", ""))
    return BRecord(
        second_of_day=_second_of_day(hour, minute, second + "." + more.get("TDS", "0")),
        lat_deg=lat_deg if north == "N" else -lat_deg,
        lon_deg=lon_deg if east == "E" else -lon_deg,
        has_position=valid == "A",
        pressure_altitude_m=int(pressure_m),
        gnss_altitude_m=int(gnss_m),
    )


def parse_k_time(line: str) -> float:
    """Second of the day of a K record.

    Raises:
        RejectedValueError: if it has none.
    """
    match = _TIME.match(line)
    if match is None:
        raise RejectedValueError("not a K record of the standard's form")
    return _second_of_day(*match.groups())


def parse_date(line: str) -> datetime | None:
    """Midnight UTC of the day an H record gives ("HFDTE160710", "HFDTEDATE:160710,01"), else None."""
    match = _DATE.match(line)
    if match is None:
        return None
    day, month, year = (int(text) for text in match.groups())
    try:
        return datetime(2000 + year if year < 80 else 1900 + year, month, day, tzinfo=UTC)
    except ValueError:
        return None


def header_text(line: str, code: str) -> str | None:
    """The text after the colon in an H record of this three-letter code; None for another record."""
    if line[:1] != "H" or line[2:5] != code:
        return None
    return line[5:].partition(":")[2].strip() or line[5:].strip()


def _second_of_day(hour: str, minute: str, second: str) -> float:
    return int(hour) * 3600 + int(minute) * 60 + float(second)
