"""What is said, as names of words. The sound engine has a recording of each word in each language.

Numbers are spoken as in radiotelephony, digit by digit, which is possible in every language and is disturbed
least by noise: whole hundreds and thousands as the digits of their number followed by the word, every other
number digit by digit, and the point as a word (ICAO Annex 10, Volume II, 5.2.1.4; compared with a published
copy of that text). Values are in the units of [display]; units are not spoken.
"""

from __future__ import annotations

import math

from vario.flight.cruise.glide import FinalGlide
from vario.flight.inputs.quality import Quality
from vario.flight.thermal.averages import Averages
from vario.flight.wind.stage import Wind
from vario.settings.display import DisplayUnits, Measure

Words = tuple[str, ...]

DIGITS = tuple("0123456789")
UNKNOWN = "unknown"

LOST: tuple[tuple[Quality, str], ...] = (
    (Quality.NO_BARO, "no_barometer"),
    (Quality.NO_AIRSPEED, "no_airspeed"),
    (Quality.NO_IMU, "no_inertial_sensor"),
    (Quality.IMU_OFF, "no_inertial_sensor"),
    (Quality.NO_GNSS, "no_satellites"),
)
NOTHING_LOST = "nothing_lost"

WORDS: Words = (
    *DIGITS,
    "decimal",
    "hundred",
    "thousand",
    "minus",
    UNKNOWN,
    "average",
    "maccready",
    "wind",
    "goal",
    "above_reserve",
    "below_reserve",
    *dict.fromkeys(word for _, word in LOST),
    NOTHING_LOST,
)
"""All words."""


def whole(number: int) -> Words:
    """A whole number."""
    if number < 0:
        return ("minus", *whole(-number))
    if number < 100 or number % 100:
        return tuple(str(number))
    thousands, hundreds = number // 1000, number // 100 % 10
    said: Words = (*str(thousands), "thousand") if thousands else ()
    return (*said, str(hundreds), "hundred") if hundreds else said


def decimal(number: float, decimals: int) -> Words:
    """A number with so many digits after the point."""
    if decimals == 0:
        return whole(round(number))
    text = f"{abs(number):.{decimals}f}"
    before, _, after = text.partition(".")
    said = (*before, "decimal", *after)
    return ("minus", *said) if number < 0.0 and float(text) else said


def vertical_speed(value_mps: float | None, units: DisplayUnits) -> Words:
    """A vertical speed; in ft/min to the nearest ten."""
    if value_mps is None:
        return (UNKNOWN,)
    unit = units.of(Measure.VERTICAL_SPEED)
    value = value_mps * unit.factor
    return whole(10 * round(value / 10.0)) if unit.decimals == 0 else decimal(value, unit.decimals)


def height(value_m: float, units: DisplayUnits) -> Words:
    """A height without sign, to the nearest ten, from a thousand on to the nearest hundred."""
    value = abs(value_m) * units.of(Measure.HEIGHT).factor
    step = 10 if value < 1000.0 else 100
    return whole(step * round(value / step))


def average(averages: Averages, units: DisplayUnits) -> Words:
    """Average of the last full turn; outside a climb that of the averager."""
    value_mps = averages.average_mps if averages.turn_mps is None else averages.turn_mps
    return ("average", *vertical_speed(value_mps, units))


def maccready(value_mps: float, units: DisplayUnits) -> Words:
    """The MacCready value."""
    return ("maccready", *vertical_speed(value_mps, units))


def wind_words(wind: Wind | None, units: DisplayUnits) -> Words:
    """Direction from which the wind blows, in three digits to the nearest ten degrees, and its speed."""
    if wind is None:
        return ("wind", UNKNOWN)
    direction = 10 * round(math.degrees(wind.from_rad) / 10.0) % 360 or 360
    speed = wind.speed_mps * units.of(Measure.WIND).factor
    return ("wind", *f"{direction:03}", *whole(round(speed)))


def goal(glide: FinalGlide | None, units: DisplayUnits) -> Words:
    """Arrival height above or below the goal plus the reserve, by arithmetic."""
    if glide is None or glide.above_reserve_m is None:
        return ("goal", UNKNOWN)
    side = "above_reserve" if glide.above_reserve_m >= 0.0 else "below_reserve"
    return ("goal", *height(glide.above_reserve_m, units), side)


def lost(quality: Quality) -> Words:
    """The sensors that are missing."""
    return tuple(dict.fromkeys(word for flag, word in LOST if flag in quality)) or (NOTHING_LOST,)
