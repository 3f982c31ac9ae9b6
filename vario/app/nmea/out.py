"""What the instrument knows as sentences of NMEA 0183, for a tablet or another instrument.

Only sentences of the standard are sent, talker "II" (integrated instrumentation):

* `GLL` place, `HDT` heading from true north;
* `MWD` wind as it blows over the ground, `MWV` the same from the nose (reference T, theoretical);
* `XDR` what the standard has no sentence for, as transducers with identifiers of our own. Vertical speed
  and airspeed are of the generic type G, which has no unit, so the unit is in the identifier.

There is no `VHW`: its speed is through water, and a reader would take ours for that. What is not known is
left out, never sent as a zero.

Source for the fields: NMEA 0183 as parsed by `pynmeagps`; the types of `XDR` beyond C, A, D and P from
public lists, since the standard is not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import reduce
from typing import Protocol

from vario.app.outputs.catalogue import OUTPUTS
from vario.app.outputs.pacer import Pacer
from vario.flight.reading import Reading

LONGEST = 82
"""Characters of a sentence at most, with "$" and the line end."""

TALKER = "II"
_KT_PER_MPS = 3600.0 / 1852.0


class Sink(Protocol):
    """Where sentences go. Neither method waits, and neither raises once the sink is open."""

    def write(self, data: bytes) -> None:
        """Pass on whole sentences, or drop them where they cannot be passed on at once."""

    def close(self) -> None:
        """Let go of the line or the network."""


class NmeaOutput:
    """Sends the sentences of a reading as often as asked.

    Args:
        sink: where to.
        rate_hz: sets of sentences a second.
        utc_at_zero: says what instant `t_s` = 0 was, as soon as that is known; before, no time is sent.
    """

    def __init__(
        self, sink: Sink, rate_hz: float, utc_at_zero: Callable[[], datetime | None] = lambda: None
    ) -> None:
        self._sink = sink
        self._pacer = Pacer(rate_hz)
        self._utc_at_zero = utc_at_zero

    def update(self, reading: Reading) -> None:
        """Send the sentences of this reading if they are due. Never waits."""
        if self._pacer.due(reading.t_s):
            known = "".join(sentences(reading, self._utc_at_zero()))
            if known:
                self._sink.write(known.encode("ascii"))

    def close(self) -> None:
        """The flight is over."""
        self._sink.close()


def sentence(*fields: str) -> str:
    """A whole sentence of these fields, the first being talker and kind, with checksum and line end."""
    body = ",".join(fields)
    checksum = reduce(lambda so_far, character: so_far ^ ord(character), body, 0)
    return f"${body}*{checksum:02X}\r\n"


def sentences(reading: Reading, start_utc: datetime | None = None) -> Iterator[str]:
    """Everything this reading knows, a sentence each."""
    yield from _place(reading, start_utc)
    heading = _heading_deg(reading)
    if heading is not None:
        yield sentence(f"{TALKER}HDT", _number(heading, 1), "T")
    yield from _wind(reading, heading)
    yield from _transducers(reading)


def _place(reading: Reading, start_utc: datetime | None) -> Iterator[str]:
    """GLL. Without a time it is still a place."""
    position = reading.position
    if position is None:
        return
    time = ""
    if start_utc is not None:
        at = start_utc.astimezone(UTC) + timedelta(seconds=position.t_s)
        time = f"{at:%H%M%S}.{at.microsecond // 10_000:02}"
    lat = _angle(abs(position.lat_deg), 2), "N" if position.lat_deg >= 0.0 else "S"
    lon = _angle(abs(position.lon_deg), 3), "E" if position.lon_deg >= 0.0 else "W"
    yield sentence(f"{TALKER}GLL", *lat, *lon, time, "A", "A")


def _angle(angle_deg: float, width: int) -> str:
    """Degrees and minutes to 0.0001 minute; 0.2 m of latitude."""
    ten_thousandths = round(angle_deg * 600_000)
    degrees, rest = divmod(ten_thousandths, 600_000)
    return f"{degrees:0{width}}{rest // 10_000:02}.{rest % 10_000:04}"


def _wind(reading: Reading, heading_deg: float | None) -> Iterator[str]:
    wind = reading.wind
    if wind is None:
        return
    from_deg = math.degrees(math.atan2(-wind.east_mps, -wind.north_mps)) % 360.0
    speed_mps = math.hypot(wind.north_mps, wind.east_mps)
    knots = _number(speed_mps * _KT_PER_MPS, 1)
    # Magnetic variation is not known here, so the magnetic direction stays empty.
    yield sentence(f"{TALKER}MWD", _direction(from_deg), "T", "", "M", knots, "N", _number(speed_mps, 1), "M")
    if heading_deg is not None:
        angle = _direction(from_deg - heading_deg)
        yield sentence(f"{TALKER}MWV", angle, "T", _number(speed_mps, 1), "M", "A")


_TRANSDUCERS: tuple[tuple[str, str, str, str], ...] = (
    ("VARIO_MPS", "G", "", "damped_vario_mps"),
    ("NETTO_MPS", "G", "", "netto_mps"),
    ("RELATIVE_NETTO_MPS", "G", "", "relative_netto_mps"),
    ("AVERAGE_MPS", "G", "", "average_mps"),
    ("TURN_AVERAGE_MPS", "G", "", "turn_average_mps"),
    ("IAS_MPS", "G", "", "ias_mps"),
    ("TAS_MPS", "G", "", "tas_mps"),
    ("SPEED_TO_FLY_MPS", "G", "", "speed_to_fly_mps"),
    ("PRESSURE_ALTITUDE", "D", "M", "altitude_m"),
    ("PITCH", "A", "D", "pitch_rad"),
    ("BANK", "A", "D", "bank_rad"),
)
"""Identifier, type and unit of each transducer, and the output it sends; angles are sent in degrees. A vario
that is not compensated has another identifier."""


def _transducers(reading: Reading) -> Iterator[str]:
    """XDR, as many transducers to a sentence as fit."""
    fields = [f"{TALKER}XDR"]
    for name, kind, unit, column in _TRANSDUCERS:
        output = OUTPUTS[column]
        value = output.value_of(reading)
        if not isinstance(value, float):
            continue
        if output.is_angle:
            value = math.degrees(value)
        if name == "VARIO_MPS" and not reading.energy.compensated:
            name = "CLIMB_MPS"  # noqa: PLW2901  (pulling up reads as lift in it)
        more = [kind, _number(value, 1), unit, name]
        if len(sentence(*fields, *more)) > LONGEST:
            yield sentence(*fields)
            fields = [f"{TALKER}XDR"]
        fields += more
    if len(fields) > 1:
        yield sentence(*fields)


def _heading_deg(reading: Reading) -> float | None:
    if not reading.turning.from_north:
        return None
    return round(math.degrees(reading.turning.heading_rad), 1) % 360.0


def _direction(angle_deg: float) -> str:
    """0.0 to 359.9: rounding up to 360 is north again."""
    return _number(round(angle_deg % 360.0, 1) % 360.0, 1)


def _number(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
