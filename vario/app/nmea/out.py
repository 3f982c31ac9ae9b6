"""Convert readings to NMEA 0183 sentences for a tablet or another instrument.

Only sentences of the standard are sent, with the talker "II" (integrated instrumentation):

* `GLL`: position; `VTG`: track and speed over the ground; `HDT`: heading from true north;
* `MWD`: wind direction and speed over the ground; `MWV`: wind relative to the nose (reference T,
  theoretical);
* `BWC`: bearing and distance of the goal, if one is set;
* `XDR`: values without a sentence in the standard, as transducers with our own identifiers
  (docs/sentences.md). Vertical speed and airspeed have the generic type G, which has no unit, so the
  identifier contains the unit.

`VHW` is not sent: it contains the speed through water, and a reader would confuse it with airspeed.
Unknown values are left out; they are never sent as zero.

Source for the fields: NMEA 0183 as parsed by `pynmeagps`; the types of `XDR` other than C, A, D and P
from public lists, because the standard is not public.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Protocol

from drivers.nmea import MPS_PER_KT, framed
from vario.app.outputs.catalogue import OUTPUTS
from vario.app.outputs.pacer import Pacer
from vario.flight.reading import Reading
from vario.settings.quantity import NAUTICAL_MILE_M

LONGEST = 82
"""Maximum length of a sentence in characters, including "$" and line end."""

TALKER = "II"
LEAST_TRACK_MPS = 1.0
"""Below this speed the direction of the velocity of a receiver is noise."""


class SentenceSink(Protocol):
    """The destination of sentences. In flight its methods never wait and never raise."""

    def write(self, data: bytes) -> None:
        """Send whole sentences, or drop them if they cannot be sent at once."""

    def close(self) -> None:
        """Close the serial line or the network port."""


class NmeaOutput:
    """Sends the sentences of readings at a given rate.

    Args:
        sink: the destination.
        rate_hz: sets of sentences per second.
        utc_at_zero: gives the UTC time of `t_s` = 0 once it is known; before that, no time is sent.
    """

    def __init__(
        self, sink: SentenceSink, rate_hz: float, utc_at_zero: Callable[[], datetime | None] = lambda: None
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
        """End of the flight: close the sink."""
        self._sink.close()


def sentence(*fields: str) -> str:
    """A complete sentence with checksum and line end; the first field contains talker and type."""
    return framed(",".join(fields))


def sentences(reading: Reading, start_utc: datetime | None = None) -> Iterator[str]:
    """All known values of a reading, one sentence each."""
    yield from _place(reading, start_utc)
    yield from _track(reading)
    heading = _heading_deg(reading)
    if heading is not None:
        yield sentence(f"{TALKER}HDT", _number(heading, 1), "T")
    yield from _wind(reading, heading)
    yield from _goal(reading, start_utc)
    yield from _transducers(reading)


def _goal(reading: Reading, start_utc: datetime | None) -> Iterator[str]:
    """BWC."""
    glide = reading.glide
    if glide is None:
        return
    time = _time(reading.t_s, start_utc)
    bearing = _direction(math.degrees(glide.bearing_rad))
    distance = _number(glide.distance_m / NAUTICAL_MILE_M, 2)
    place = _lat_lon(glide.latitude_deg, glide.longitude_deg)
    yield sentence(f"{TALKER}BWC", time, *place, bearing, "T", "", "M", distance, "N", "GOAL", "A")


def _place(reading: Reading, start_utc: datetime | None) -> Iterator[str]:
    """GLL. It is also sent without a time."""
    position = reading.position
    if position is None:
        return
    time = _time(position.t_s, start_utc)
    yield sentence(f"{TALKER}GLL", *_lat_lon(position.lat_deg, position.lon_deg), time, "A", "A")


def _track(reading: Reading) -> Iterator[str]:
    """VTG. A standing glider has a speed and no track."""
    velocity = reading.ground_velocity
    if velocity is None:
        return
    speed_mps = velocity.speed_mps
    moves = speed_mps >= LEAST_TRACK_MPS
    track = _direction(math.degrees(velocity.track_rad)) if moves else ""
    knots, kmh = _number(speed_mps / MPS_PER_KT, 1), _number(speed_mps * 3.6, 1)
    # The magnetic variation is unknown, so the magnetic track is empty.
    yield sentence(f"{TALKER}VTG", track, "T", "", "M", knots, "N", kmh, "K", "A")


def _time(t_s: float, start_utc: datetime | None) -> str:
    """UTC; empty if it is not known."""
    if start_utc is None:
        return ""
    at = start_utc.astimezone(UTC) + timedelta(seconds=t_s)
    return f"{at:%H%M%S}.{at.microsecond // 10_000:02}"


def _lat_lon(lat_deg: float, lon_deg: float) -> tuple[str, str, str, str]:
    lat = _angle(abs(lat_deg), 2), "N" if lat_deg >= 0.0 else "S"
    return *lat, _angle(abs(lon_deg), 3), "E" if lon_deg >= 0.0 else "W"


def _angle(angle_deg: float, width: int) -> str:
    """Degrees and minutes to 0.0001 minute; 0.2 m of latitude."""
    ten_thousandths = round(angle_deg * 600_000)
    degrees, rest = divmod(ten_thousandths, 600_000)
    return f"{degrees:0{width}}{rest // 10_000:02}.{rest % 10_000:04}"


def _wind(reading: Reading, heading_deg: float | None) -> Iterator[str]:
    wind = reading.wind
    if wind is None:
        return
    from_deg = math.degrees(wind.from_rad)
    speed_mps = wind.speed_mps
    knots = _number(speed_mps / MPS_PER_KT, 1)
    # The magnetic variation is unknown, so the magnetic direction is empty.
    yield sentence(f"{TALKER}MWD", _direction(from_deg), "T", "", "M", knots, "N", _number(speed_mps, 1), "M")
    if heading_deg is not None:
        angle = _direction(from_deg - heading_deg)
        yield sentence(f"{TALKER}MWV", angle, "T", _number(speed_mps, 1), "M", "A")


TRANSDUCERS: tuple[tuple[str, str, str, str], ...] = (
    ("VARIO_MPS", "G", "", "damped_vario_mps"),
    ("NETTO_MPS", "G", "", "netto_mps"),
    ("RELATIVE_NETTO_MPS", "G", "", "relative_netto_mps"),
    ("AVERAGE_MPS", "G", "", "average_mps"),
    ("TURN_AVERAGE_MPS", "G", "", "turn_average_mps"),
    ("IAS_MPS", "G", "", "ias_mps"),
    ("TAS_MPS", "G", "", "tas_mps"),
    ("SPEED_TO_FLY_MPS", "G", "", "speed_to_fly_mps"),
    ("PRESSURE_ALTITUDE", "D", "M", "altitude_m"),
    ("QNH_ALTITUDE", "D", "M", "qnh_altitude_m"),
    ("GOAL_ABOVE_RESERVE", "D", "M", "goal_above_reserve_m"),
    ("GOAL_SIGMA", "D", "M", "goal_sigma_m"),
    ("GOAL_MACCREADY_MPS", "G", "", "goal_maccready_mps"),
    ("PITCH", "A", "D", "pitch_rad"),
    ("BANK", "A", "D", "bank_rad"),
)
"""Identifier, type and unit of each transducer, and its output; angles are sent in degrees. An
uncompensated vario has a different identifier.
"""


def _transducers(reading: Reading) -> Iterator[str]:
    """XDR, with as many transducers per sentence as fit."""
    fields = [f"{TALKER}XDR"]
    for name, kind, unit, column in TRANSDUCERS:
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
    """0.0 to 359.9; a value that rounds to 360 becomes 0."""
    return _number(round(angle_deg % 360.0, 1) % 360.0, 1)


def _number(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
