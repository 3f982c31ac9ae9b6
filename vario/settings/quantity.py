"""Numbers with units as written in a settings file: "1.5 m/s", "90 km/h", "4 kt".

A setting with a dimension is always a string of a number and a unit, so the unit is always explicit.
Inside the program it is a float in the SI unit at the end of its name.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import cache

from drivers.quick import dataclass
from vario.settings.errors import QuantityError


@dataclass(frozen=True, slots=True)
class Dimension:
    """A physical dimension.

    Attributes:
        name: with its article, for messages: "a speed".
        suffix: ending of the names of SI values: "_mps".
        units: size of each unit in SI; values are shown in the first one.
    """

    name: str
    suffix: str
    units: Mapping[str, float]

    def wanted(self, example: str | None = None) -> str:
        """The expected form of the value, for a message."""
        *rest, last = self.units
        units = f"{', '.join(rest)} or {last}" if rest else last
        return f"{self.name} in quotes with its unit ({units})" + (
            f', such as "{example}"' if example else ""
        )


# Exact by definition: BIPM, The International System of Units, 9th ed. (2019), table 8 (min, degree);
# NIST SP 811 (2008), appendix B (knot, foot, pound, and the conventional inch of mercury, 3.386389 kPa).
NAUTICAL_MILE_M = 1852.0
SPEED = Dimension(
    "a speed", "_mps", {"m/s": 1.0, "km/h": 1 / 3.6, "kt": NAUTICAL_MILE_M / 3600, "ft/min": 0.3048 / 60}
)
LENGTH = Dimension("a length", "_m", {"m": 1.0, "km": 1000.0, "ft": 0.3048})
TIME = Dimension("a time", "_s", {"s": 1.0, "ms": 0.001, "min": 60.0})
ANGLE = Dimension("an angle", "_rad", {"deg": math.pi / 180})
TURN_RATE = Dimension("a turn rate", "_radps", {"deg/s": math.pi / 180})
PRESSURE = Dimension("a pressure", "_pa", {"Pa": 1.0, "hPa": 100.0, "inHg": 3386.389})
MASS = Dimension("a mass", "_kg", {"kg": 1.0, "lb": 0.45359237})
AREA = Dimension("an area", "_m2", {"m2": 1.0, "ft2": 0.3048**2})
ACCELERATION = Dimension("an acceleration", "_mps2", {"m/s2": 1.0})
FREQUENCY = Dimension("a frequency", "_hz", {"Hz": 1.0})
VOLTAGE = Dimension("a voltage", "_v", {"V": 1.0})

DIMENSIONS = (
    SPEED,
    LENGTH,
    TIME,
    ANGLE,
    TURN_RATE,
    PRESSURE,
    MASS,
    AREA,
    ACCELERATION,
    FREQUENCY,
    VOLTAGE,
)

# Other common spellings of units, in lower case, and the spelling that is accepted here.
_SPELLINGS = {
    "mps": "m/s",
    "kmh": "km/h",
    "kph": "km/h",
    "kn": "kt",
    "kts": "kt",
    "knot": "kt",
    "knots": "kt",
    "m/sec": "m/s",
    "km/hr": "km/h",
    "fpm": "ft/min",
    "feet": "ft",
    "foot": "ft",
    "metres": "m",
    "meters": "m",
    "sec": "s",
    "secs": "s",
    "seconds": "s",
    "mins": "min",
    "minutes": "min",
    "mbar": "hPa",
    "hertz": "Hz",
    "volts": "V",
    "kgs": "kg",
    "pounds": "lb",
    "°": "deg",
    "degrees": "deg",
    "°/s": "deg/s",
    "lbs": "lb",
    "m²": "m2",
    "sqm": "m2",
    "ft²": "ft2",
    "sqft": "ft2",
} | {unit.lower(): unit for dimension in DIMENSIONS for unit in dimension.units}

_LITRES = ("l", "ltr", "litre", "litres", "liter", "liters")

_QUANTITY = re.compile(r"\s*([-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)\s*(\S*)\s*")

_LONGEST = 100
"""Maximum length in characters. The pattern above takes very long to reject thousands of digits."""


def split(text: object, dimension: Dimension) -> tuple[float, str]:
    """Split a text such as "90 km/h" into number and unit.

    Raises:
        QuantityError: if it is no text or no number, or if the unit is missing or of another
            dimension.
    """
    if not isinstance(text, str):
        bare = isinstance(text, int | float) and not isinstance(text, bool)
        raise QuantityError("a number without unit" if bare else "no text in quotes", dimension.wanted())
    match = _QUANTITY.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None:
        raise QuantityError(_no_quantity(text), dimension.wanted())
    number, unit = float(match[1]), match[2]
    if unit not in dimension.units:
        raise QuantityError(_wrong_unit(unit, dimension), dimension.wanted())
    if not math.isfinite(number * dimension.units[unit]):
        raise QuantityError("a number too large to be true", dimension.wanted())
    return number, unit


def _no_quantity(text: str) -> str:
    if re.search(r"[0-9],[0-9]", text):
        return "the decimal sign is a point, not a comma"
    if re.match(r"\s*[−–—]\s*[0-9.]", text):
        return f'the minus sign is the hyphen "-", not "{text.strip()[0]}"'
    return "no number followed by a unit"


def _wrong_unit(unit: str, dimension: Dimension) -> str:
    if not unit:
        return "the unit is missing"
    meant = _SPELLINGS.get(unit.lower())
    if meant in dimension.units:
        return f'the unit "{unit}" is written "{meant}"'
    if dimension is MASS and unit.lower() in _LITRES:
        return f'"{unit}" is a volume: 1 litre of water weighs 1 kg'
    other = next((other.name for other in DIMENSIONS if unit in other.units), None)
    if other:
        return f'"{unit}" is the unit of {other}, not of {dimension.name}'
    return f'"{unit}" is no unit of {dimension.name}'


def parse(text: object, dimension: Dimension) -> float:
    """The SI value of a text such as "90 km/h".

    Raises:
        QuantityError: if it is no text or no number, or if the unit is missing or of another
            dimension.
    """
    number, unit = split(text, dimension)
    return number * dimension.units[unit]


def show(value: float, dimension: Dimension, unit: str | None = None) -> str:
    """The text of an SI value, by default in the first unit: `show(1.0, SPEED)` is "1 m/s"."""
    unit = unit or next(iter(dimension.units))
    number = value / dimension.units[unit]
    return f"{number:.6g} {unit}"


@cache
def dimension_of(name: str) -> Dimension | None:
    """The dimension given by the ending of a name; None for a plain number."""
    return next((dimension for dimension in DIMENSIONS if name.endswith(dimension.suffix)), None)


@cache
def key_of(name: str) -> str:
    """The settings key of a field: the name without the unit, `damping_s` → "damping"."""
    dimension = dimension_of(name)
    return name.removesuffix(dimension.suffix) if dimension else name


def unit_in_key(key: str) -> str | None:
    """The key without a unit that the user wrote into it, `speed_kmh` → "speed"; None if it has none."""
    shorter, underscore, ending = key.lower().rpartition("_")
    spelled = any("_" + ending == dimension.suffix for dimension in DIMENSIONS)
    written = ending in _SPELLINGS or ending in {unit.replace("/", "") for unit in _SPELLINGS}
    return shorter if underscore and (spelled or written) else None
