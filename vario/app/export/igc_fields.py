"""The fields of FAI/IGC files and their positions in the records.

Source: FAI/IGC "Technical Specification for IGC-approved GNSS Flight Recorders", edition of January 2026
with amendment 10, appendix A: A3.4 and A3.5 (I and J records), A4.1 (fix), A4.4 (K record), A7 (three-letter
codes). Older editions number the sections differently. From memory: the number of digits of IAS, TEN and NET.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from vario.app.outputs.catalogue import OUTPUTS
from vario.flight.reading import Reading

_KMPH = 3.6


@dataclass(frozen=True, slots=True)
class IgcField:
    """A value of a B or K record.

    Attributes:
        code: its three-letter code.
        width: number of characters.
        text_of: the text of the value; None if it is unknown or does not fit.
    """

    code: str
    width: int
    text_of: Callable[[Reading], str | None]

    def write(self, reading: Reading) -> str:
        """The text, or blanks, which readers interpret as no value."""
        text = self.text_of(reading)
        return text if text is not None and len(text) == self.width else " " * self.width


def declaration(letter: str, fields: tuple[IgcField, ...], from_byte: int) -> str:
    """The I or J record of these fields, for example "I023638FXA3940SIU"."""
    entries, byte = "", from_byte
    for field in fields:
        entries += f"{byte:02}{byte + field.width - 1:02}{field.code}"
        byte += field.width
    return f"{letter}{len(fields):02}{entries}"


def vertical(value_mps: float | None) -> str | None:
    """Metres per second in tenths, three characters without the point: +2.3 is "023", −1.4 is "-14".

    Sink beyond 9.9 m/s does not fit.
    """
    if value_mps is None:
        return None
    tenths = round(value_mps * 10)
    return f"-{-tenths:02}" if tenths < 0 else f"{tenths:03}"


def kmph(value_mps: float | None) -> str | None:
    """Kilometres per hour, three characters."""
    return None if value_mps is None else f"{round(value_mps * _KMPH):03}"


def metres(value_m: float | None) -> str | None:
    """Whole metres, five characters; below zero the first one is a minus sign."""
    if value_m is None:
        return None
    whole = round(value_m)
    return f"-{-whole:04}" if whole < 0 else f"{whole:05}"


def degrees(value_rad: float | None) -> str | None:
    """Degrees from true north, three characters, 000 to 359."""
    return None if value_rad is None else f"{round(math.degrees(value_rad)) % 360:03}"


def _field(code: str, width: int, output: str, write: Callable[[float | None], str | None]) -> IgcField:
    """The field of an output in the catalogue."""
    value_of = OUTPUTS[output].value_of

    def text_of(reading: Reading) -> str | None:
        value = value_of(reading)
        return write(value if isinstance(value, float) else None)

    return IgcField(code, width, text_of)


B_FIELDS = (
    _field("IAS", 3, "ias_mps", kmph),
    _field("TAS", 3, "tas_mps", kmph),
    IgcField("TEN", 5, lambda r: metres(r.energy.energy_altitude_m)),
)
"""In every fix, after the additional digits of its time and position."""

K_FIELDS = (
    IgcField("VAT", 3, lambda r: vertical(r.energy.vario_mps if r.energy.compensated else None)),
    _field("VAR", 3, "climb_mps", vertical),
    _field("NET", 3, "netto_mps", vertical),
    _field("WDI", 3, "wind_from_rad", degrees),
    _field("WSP", 3, "wind_speed_mps", kmph),
    _field("HDT", 3, "heading_rad", degrees),
)
"""Codes permitted in K records. The compensated vario is left out while it is not compensated."""


def latitude(lat_deg: float) -> tuple[str, str]:
    """The eight characters of latitude, and two more decimals of the minutes for LAD."""
    return _angle(abs(lat_deg), 2, "N" if lat_deg >= 0.0 else "S")


def longitude(lon_deg: float) -> tuple[str, str]:
    """The nine characters of longitude, and two more decimals of the minutes for LOD."""
    return _angle(abs(lon_deg), 3, "E" if lon_deg >= 0.0 else "W")


def _angle(angle_deg: float, width: int, side: str) -> tuple[str, str]:
    # In integer units of 1e-5 minute, so that rounding carries into minutes and degrees.
    whole = round(angle_deg * 60 * 100_000)
    degrees_, minutes = divmod(whole, 60 * 100_000)
    return f"{degrees_:0{width}}{minutes // 100:05}{side}", f"{minutes % 100:02}"
