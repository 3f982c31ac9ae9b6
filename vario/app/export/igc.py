"""Write a flight as a FAI/IGC file: position, heights, airspeed in B records, vario and wind in K records.

The file is not signed: it has no G record, and states this. It is for viewing a flight, not for claims. Times
are UTC, so the recording must contain its start time.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drivers.samples import GnssPos
from hw_replay.source import RecordingInfo
from vario.app.errors import AppError, OutputError
from vario.app.export.igc_fields import B_FIELDS, K_FIELDS, declaration, latitude, longitude, metres
from vario.flight.reading import Reading
from vario.settings.glider import Glider
from vario.settings.output import Declaration

FIX_BYTES, K_BYTES = 35, 7
STEP_S = 1.0

NOT_SIGNED = "NOT SIGNED: written from a recording, without G record. No evidence of a flight."
_OWN = "XXX"
"""Used as the manufacturer: the specification reserves X for recorders that are not approved."""


@dataclass(frozen=True, slots=True)
class Header:
    """The header data of the flight. None: not recorded."""

    title: str
    pilot: str | None = None
    second_pilot: str | None = None
    glider_type: str | None = None
    glider_id: str | None = None
    receiver: str | None = None
    pressure_sensor: str | None = None


def header_of(info: RecordingInfo, declared: Declaration, glider: Glider | None) -> Header:
    """The header of a recording: values that the settings declare, otherwise those in the recording."""
    named = glider.name if glider else None
    sensors = {channel: sensor.name for channel, sensor in info.sensors.items()}
    return Header(
        info.title,
        declared.pilot,
        declared.second_pilot,
        declared.glider_type or info.glider_type or named,
        declared.glider_id,
        sensors.get("gnss_pos"),
        sensors.get("baro"),
    )


def write_igc(readings: Iterable[Reading], start_utc: datetime, header: Header, path: Path) -> int:
    """Write the flight; returns the number of fixes. `start_utc` is the time of `t_s` = 0.

    Raises:
        AppError: if the recording has no position.
        OutputError: if the file cannot be written.
    """
    fixes = 0
    lines = igc_lines(readings, start_utc, header)
    try:
        with path.open("w", encoding="ascii", newline="\r\n") as file:
            for line in lines:
                fixes += line[0] == "B"
                file.write(line + "\n")
    except OSError as error:
        raise OutputError(path, error) from error
    if not fixes:
        raise AppError("this recording has no position, and a FAI/IGC file consists of fixes")
    return fixes


def igc_lines(readings: Iterable[Reading], start_utc: datetime, header: Header) -> Iterator[str]:
    """The lines of the file without line ends. `start_utc` is the time of `t_s` = 0."""
    first = True
    fixes = _Fixes(start_utc)
    for reading in readings:
        if first:
            first = False
            yield from _head(start_utc + timedelta(seconds=reading.t_s), header)
        yield from fixes.take(reading)
    if first:
        yield from _head(start_utc, header)


def _head(start: datetime, header: Header) -> Iterator[str]:
    """The records before the fixes; the H records in the order of appendix A, A3.3."""
    yield f"A{_OWN}001{_plain('glider-vario')}"
    yield f"HFDTEDATE:{start.astimezone(UTC):%d%m%y},01"
    yield f"HFPLTPILOTINCHARGE:{_plain(header.pilot)}"
    yield f"HFCM2CREW2:{_plain(header.second_pilot)}"
    yield f"HFGTYGLIDERTYPE:{_plain(header.glider_type)}"
    yield f"HFGIDGLIDERID:{_plain(header.glider_id)}"
    yield "HFDTMGPSDATUM:WGS84"
    yield "HFRFWFIRMWAREVERSION:not approved"
    yield "HFRHWHARDWAREVERSION:not approved"
    yield "HFFTYFRTYPE:glider-vario,recording"
    yield f"HFGPSRECEIVER:{_plain(header.receiver)}"
    yield f"HFPRSPRESSALTSENSOR:{_plain(header.pressure_sensor)}"
    # GNSS heights are above mean sea level here, not above the ellipsoid. Pressure is ISA, 1013.25 hPa.
    yield "HFALGALTGPS:GEO"
    yield "HFALPALTPRESSURE:ISA"
    finer = "3637LAD3839LOD4042TDS"
    own = declaration("I", B_FIELDS, FIX_BYTES + 8)
    yield f"I{len(B_FIELDS) + 3:02}{finer}{own[3:]}"
    yield declaration("J", K_FIELDS, K_BYTES + 1)
    yield f"L{_OWN}{_plain(header.title)}"
    yield f"L{_OWN}{NOT_SIGNED}"


class _Fixes:
    """Makes the records that are due at a reading: one fix per second with its values."""

    def __init__(self, start_utc: datetime) -> None:
        self._start = start_utc.astimezone(UTC)
        self._next_s: float | None = None
        self._last: GnssPos | None = None

    def take(self, reading: Reading) -> Iterator[str]:
        position = reading.position
        fresh = position is not None and position is not self._last
        t_s = position.t_s if fresh and position is not None else reading.t_s
        if self._next_s is None:
            self._next_s = t_s
        # Without GNSS the pressure altitude continues at the last position, as an invalid fix (A4.1). A
        # position that is only slightly late is waited for.
        lost = position is None and self._last is not None
        if not (fresh or lost) or t_s < self._next_s - 1e-6:
            return
        if reading.energy.altitude_m is None:
            return
        self._next_s = max(self._next_s + STEP_S, t_s + STEP_S / 2)
        if fresh:
            self._last = position
        assert self._last is not None  # noqa: S101  (fresh or lost)
        yield from self._records(reading, t_s, self._last, valid=fresh)

    def _records(self, reading: Reading, t_s: float, place: GnssPos, *, valid: bool) -> Iterator[str]:
        time = self._start + timedelta(seconds=t_s)
        second = time.strftime("%H%M%S")
        lat, lad = latitude(place.lat_deg)
        lon, lod = longitude(place.lon_deg)
        pressure, gnss = metres(reading.energy.altitude_m), metres(place.altitude_m if valid else 0.0)
        more = "".join(field.write(reading) for field in B_FIELDS)
        tds = f"{time.microsecond // 1000:03}"
        yield f"B{second}{lat}{lon}{'A' if valid else 'V'}{pressure}{gnss}{lad}{lod}{tds}{more}".rstrip()
        values = "".join(field.write(reading) for field in K_FIELDS)
        if values.strip():
            yield f"K{second}{values}".rstrip()


def _plain(text: str | None) -> str:
    """Printable ASCII without the characters that the format reserves."""
    kept = (c if c.isascii() and c.isprintable() and c not in "$*!\\^~," else " " for c in text or "")
    return "".join(kept).strip()[:60] or "not recorded"
