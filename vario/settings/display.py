"""The units in which people read values, and the conversion from SI.

Inside the program and in its files all values are in SI units. Text, pictures, pages and speech convert them
here, at the edge. A value belongs to a `Measure`; the section [display] selects the unit of each measure.

Symbols and values of the units: ICAO Annex 5, 5th ed., tables 3-2 and 3-3 (km/h, kt, ft/min, ft, NM are the
units of flight operations); NIST SP 811 (2008), appendix B (pound, inch of mercury).
"""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Literal

from drivers.quick import dataclass
from vario.settings.fields import Section, choice, optional, optional_text
from vario.settings.quantity import LENGTH, MASS, NAUTICAL_MILE_M, PRESSURE, SPEED


class Measure(StrEnum):
    """What a value measures, as far as people choose its unit."""

    VERTICAL_SPEED = "vertical_speed"
    SPEED = "speed"
    WIND = "wind"
    HEIGHT = "height"
    """Heights and altitudes, and horizontal distances within a thermal."""
    DISTANCE = "distance"
    PRESSURE = "pressure"
    MASS = "mass"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit for display.

    Attributes:
        text: text after a number, including a space if one belongs there.
        factor: value of one SI unit in this unit.
        decimals: usual digits after the point.
    """

    text: str
    factor: float = 1.0
    decimals: int = 1

    @property
    def symbol(self) -> str:
        """The unit alone, for a heading or an axis."""
        return self.text.strip()

    def figure(self, value_si: float, decimals: int | None = None, *, sign: bool = False) -> str:
        """The number of an SI value in this unit: "−1.3"; never "−0.0".

        Args:
            value_si: the value.
            decimals: digits after the point; None: the usual ones.
            sign: whether a positive number has a sign too.
        """
        digits = self.decimals if decimals is None else decimals
        value = round(value_si * self.factor, digits) + 0.0  # + 0.0 makes a positive zero of a negative one
        return f"{value:{'+' if sign else ''}.{digits}f}".replace("-", "−")

    def shown(self, value_si: float, decimals: int | None = None, *, sign: bool = False) -> str:
        """The number with its unit: "+1.3 m/s"."""
        return self.figure(value_si, decimals, sign=sign) + self.text


_SPEEDS: Mapping[str, Unit] = {
    "km/h": Unit(" km/h", 3.6, 0),
    "kt": Unit(" kt", 1.0 / SPEED.units["kt"], 0),
    "m/s": Unit(" m/s", 1.0, 1),
}

DISPLAY_UNITS: Mapping[Measure, Mapping[str, Unit]] = MappingProxyType(
    {
        Measure.VERTICAL_SPEED: {
            "m/s": Unit(" m/s", 1.0, 1),
            "kt": Unit(" kt", 1.0 / SPEED.units["kt"], 1),
            "ft/min": Unit(" ft/min", 1.0 / SPEED.units["ft/min"], 0),
        },
        Measure.SPEED: _SPEEDS,
        Measure.WIND: _SPEEDS,
        Measure.HEIGHT: {
            "m": Unit(" m", 1.0, 0),
            "ft": Unit(" ft", 1.0 / LENGTH.units["ft"], 0),
        },
        Measure.DISTANCE: {
            "km": Unit(" km", 0.001, 1),
            "NM": Unit(" NM", 1.0 / NAUTICAL_MILE_M, 1),
        },
        Measure.PRESSURE: {
            "hPa": Unit(" hPa", 0.01, 0),
            "inHg": Unit(" inHg", 1.0 / PRESSURE.units["inHg"], 2),
        },
        Measure.MASS: {
            "kg": Unit(" kg", 1.0, 0),
            "lb": Unit(" lb", 1.0 / MASS.units["lb"], 0),
        },
    }
)
"""The units of each measure; the first is that of `units = "metric"`."""

_SETS: Mapping[str, Mapping[Measure, str]] = MappingProxyType(
    {
        "metric": {measure: next(iter(units)) for measure, units in DISPLAY_UNITS.items()},
        "knots_and_feet": {
            Measure.VERTICAL_SPEED: "kt",
            Measure.SPEED: "kt",
            Measure.WIND: "kt",
            Measure.HEIGHT: "ft",
            Measure.DISTANCE: "NM",
            Measure.PRESSURE: "hPa",
            Measure.MASS: "kg",
        },
    }
)


class Display(Section):
    """The units of all that people read or hear, and the QNH. Recordings and traces stay in SI units."""

    units: Literal["metric", "knots_and_feet"] = choice(
        "metric",
        "metric: m/s, km/h, m, km; knots_and_feet: kt, ft, NM. A unit that is set below replaces that of "
        "this set",
    )
    vertical_speed: Literal["m/s", "kt", "ft/min"] | None = optional_text(
        "m/s", "Unit of vario, netto, averages and MacCready; absent: that of units"
    )
    speed: Literal["km/h", "kt", "m/s"] | None = optional_text(
        "km/h", "Unit of airspeed and speed to fly; absent: that of units"
    )
    wind: Literal["km/h", "kt", "m/s"] | None = optional_text(
        "km/h", "Unit of the wind speed; absent: that of units"
    )
    height: Literal["m", "ft"] | None = optional_text(
        "m", "Unit of heights and altitudes; absent: that of units"
    )
    distance: Literal["km", "NM"] | None = optional_text("km", "Unit of distances; absent: that of units")
    pressure: Literal["hPa", "inHg"] | None = optional_text("hPa", "Unit of the QNH; absent: hPa")
    mass: Literal["kg", "lb"] | None = optional_text("kg", "Unit of the ballast; absent: kg")
    qnh_pa: float | None = optional(
        "1013 hPa",
        "940 hPa",
        "1060 hPa",
        "QNH of a place nearby. With it the instrument also gives the altitude above mean sea level as an "
        "altimeter set to this QNH; absent: only pressure altitude, which refers to 1013.25 hPa",
    )


class DisplayUnits:
    """The units of one set of settings; without settings those of "metric". Equal units are equal objects."""

    def __init__(self, display: Display | None = None) -> None:
        self._names: Mapping[Measure, str] = _SETS["metric"]
        if display is not None:
            usual = _SETS[display.units]
            self._names = {measure: getattr(display, measure.value) or usual[measure] for measure in Measure}

    def __eq__(self, other: object) -> bool:
        return isinstance(other, DisplayUnits) and self._names == other._names

    def __hash__(self) -> int:
        return hash(tuple(self._names.values()))

    def of(self, measure: Measure) -> Unit:
        """The unit of a measure."""
        return DISPLAY_UNITS[measure][self._names[measure]]

    def shown(
        self, measure: Measure, value_si: float | None, decimals: int | None = None, *, sign: bool = False
    ) -> str:
        """An SI value as people read it, with its unit: "+1.3 m/s"; "--" for None."""
        if value_si is None:
            return "--"
        return self.of(measure).shown(value_si, decimals, sign=sign)


METRIC = DisplayUnits()
"""The units without settings. Made without a `Display`, whose schema would be built at each start."""
