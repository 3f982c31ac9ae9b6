"""Numbers with a unit, the way a pilot writes them in a settings file: "1.5 m/s", "90 km/h", "4 kt".

A setting with a dimension is always a string of a number and a unit, so that no unit can be mistaken.
Inside the program it is a float in the SI unit its name ends in.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Dimension:
    """A kind of quantity.

    Attributes:
        name: for messages, with its article: "a speed".
        suffix: what the names of SI values of this kind end in: "_mps".
        units: size of each unit in SI; the first is the one values are shown in.
    """

    name: str
    suffix: str
    units: Mapping[str, float]

    @property
    def example(self) -> str:
        """The units one may write, for a message."""
        return ", ".join(self.units)


SPEED = Dimension("a speed", "_mps", {"m/s": 1.0, "km/h": 1 / 3.6, "kt": 1852 / 3600, "ft/min": 0.3048 / 60})
LENGTH = Dimension("a length", "_m", {"m": 1.0, "km": 1000.0, "ft": 0.3048})
TIME = Dimension("a time", "_s", {"s": 1.0, "ms": 0.001, "min": 60.0})
ANGLE = Dimension("an angle", "_rad", {"deg": math.pi / 180})
TURN_RATE = Dimension("a turn rate", "_radps", {"deg/s": math.pi / 180})
PRESSURE = Dimension("a pressure", "_pa", {"Pa": 1.0, "hPa": 100.0})
MASS = Dimension("a mass", "_kg", {"kg": 1.0, "lb": 0.45359237})
AREA = Dimension("an area", "_m2", {"m2": 1.0, "ft2": 0.09290304})
ACCELERATION = Dimension("an acceleration", "_mps2", {"m/s2": 1.0})
FREQUENCY = Dimension("a frequency", "_hz", {"Hz": 1.0})

DIMENSIONS = (
    TURN_RATE,
    ACCELERATION,
    SPEED,
    ANGLE,
    PRESSURE,
    MASS,
    AREA,
    FREQUENCY,
    LENGTH,
    TIME,
)

_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S*)\s*")


class QuantityError(ValueError):
    """A text that is no quantity of the dimension wanted; the message says what was expected."""


def parse(text: object, dimension: Dimension) -> float:
    """The SI value of a text such as "90 km/h".

    Raises:
        QuantityError: if it is no text, no number, or its unit is missing or of another kind.
    """
    wanted = f"expected {dimension.name} with its unit, one of {dimension.example}"
    if not isinstance(text, str):
        raise QuantityError(f"{wanted}, in quotes")
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise QuantityError(wanted)
    number, unit = match.groups()
    if unit not in dimension.units:
        has = f'the unit "{unit}" is not {dimension.name}' if unit else "the unit is missing"
        raise QuantityError(f"{has}; {wanted}")
    return float(number) * dimension.units[unit]


def show(value: float, dimension: Dimension, unit: str | None = None) -> str:
    """The text of an SI value, in the dimension's first unit unless told: `show(1.0, SPEED)` is "1 m/s"."""
    unit = unit or next(iter(dimension.units))
    number = value / dimension.units[unit]
    return f"{number:.6g} {unit}"


def dimension_of(name: str) -> Dimension | None:
    """The dimension a name's ending declares, or None for a plain number."""
    for dimension in DIMENSIONS:
        if name.endswith(dimension.suffix):
            return dimension
    return None


def key_of(name: str) -> str:
    """The settings key of a field: its name without the unit, `damping_s` -> "damping"."""
    dimension = dimension_of(name)
    return name.removesuffix(dimension.suffix) if dimension else name
