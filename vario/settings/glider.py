"""The glider file: polar, masses and speed limits."""

import math
from collections.abc import Iterator
from itertools import pairwise

from pydantic import Field, field_validator

from hw_replay.quadratic import quadratic_through
from vario.settings.errors import Broken, QuantityError
from vario.settings.fields import Section, optional_number, required, short_text
from vario.settings.quantity import SPEED, parse, show

# A glide ratio outside this range indicates a wrong unit: common practice, no source. A training glider
# of the 1930s has 15, the best open-class gliders a little over 70.
_GLIDE_RATIOS = (8.0, 90.0)


class Polar(Section):
    """Sink against airspeed at the reference mass and sea-level density.

    Give either three points, each an airspeed and the sink there, or the coefficients of
    sink = a·V² + b·V + c with V and sink in m/s.
    """

    points: tuple[tuple[float, float], ...] | None = Field(
        default=None,
        description="Three points of the polar, each an airspeed and the sink at that airspeed",
        json_schema_extra={
            "example": [["90 km/h", "0.7 m/s"], ["120 km/h", "0.9 m/s"], ["170 km/h", "1.9 m/s"]]
        },
    )
    a: float | None = optional_number(0.002, 0.0001, 0.1, "Quadratic coefficient, 1/(m/s)")
    b: float | None = optional_number(-0.1, -5.0, 0.0, "Linear coefficient")
    c: float | None = optional_number(2.0, 0.1, 20.0, "Constant, m/s")

    @property
    def coefficients(self) -> tuple[float, float, float]:
        """a, b and c of sink = a·V² + b·V + c in SI units; computed from the points if these are given."""
        if self.points is None:
            # The rules below guarantee that none of them is None.
            return self.a or 0.0, self.b or 0.0, self.c or 0.0
        return quadratic_through(self.points)

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys by which the polar was given."""
        return ("points",) if self.points is not None else ("a", "b", "c")

    @field_validator("points", mode="before")
    @classmethod
    def _parse_points(cls, value: object) -> object:
        if value is None:
            return None
        wanted = 'three pairs of airspeed and sink, such as ["100 km/h", "0.7 m/s"]'
        if not (isinstance(value, list) and len(value) == 3):
            raise QuantityError("not three points", wanted)
        wrong, points = [], []
        for place, pair in enumerate(value, start=1):
            try:
                points.append(_point(pair, wanted))
            except QuantityError as error:
                wrong.append(f"point {place}: {error.reason}")
        if wrong:
            raise QuantityError("; ".join(wrong), wanted)
        points.sort()
        if any(faster - slower < 1.0 for (slower, _), (faster, _) in pairwise(points)):
            raise QuantityError(
                "two points have nearly the same airspeed", "them to lie at least 1 m/s apart"
            )
        return tuple(points)

    def broken_rules(self) -> Iterator[Broken]:
        """The polar must have one complete form and the curvature that drag causes."""
        given = [key for key in ("a", "b", "c") if getattr(self, key) is not None]
        missing = [key for key in ("a", "b", "c") if key not in given]
        if self.points is not None:
            if given:
                yield Broken(("points", *given), "expected either points or a, b and c, not both")
            elif self.coefficients[0] <= 0:
                yield Broken(("points",), "the sink must increase more and more with speed; check the points")
            elif self.coefficients[1] >= 0:
                yield Broken(("points",), "through these points the sink is least at zero speed; check them")
        elif not given:
            yield Broken((), "expected either points or a, b and c")
        elif missing:
            yield Broken(tuple(given), f"expected all of a, b and c; {' and '.join(missing)} missing")


def _point(pair: object, wanted: str) -> tuple[float, float]:
    if not (isinstance(pair, list) and len(pair) == 2):
        raise QuantityError("no pair of an airspeed and a sink", wanted)
    speed, sink = (parse(text, SPEED) for text in pair)
    if not 10.0 <= speed <= 120.0:
        raise QuantityError("the airspeed is not between 10 m/s (36 km/h) and 120 m/s (432 km/h)", wanted)
    if not 0.1 <= sink <= 50.0:
        raise QuantityError(
            "the sink is not between 0.1 m/s and 50 m/s; it is written without a sign", wanted
        )
    return speed, sink


class Limits(Section):
    """Indicated airspeeds from the flight manual. No speed outside stall to never_exceed is proposed."""

    stall_mps: float = required(
        "68 km/h", "10 m/s", "40 m/s", "Stall speed VS with wings level at the reference mass"
    )
    manoeuvring_mps: float = required("175 km/h", "20 m/s", "80 m/s", "Manoeuvring speed VA")
    rough_air_mps: float = required(
        "175 km/h", "20 m/s", "80 m/s", "Rough-air speed VRA, the highest speed in rough air"
    )
    never_exceed_mps: float = required("250 km/h", "25 m/s", "120 m/s", "Never-exceed speed VNE")

    def broken_rules(self) -> Iterator[Broken]:
        """Stall must be below manoeuvring and rough air, and none of them above never_exceed."""
        for field in ("manoeuvring_mps", "rough_air_mps"):
            key = field.removesuffix("_mps")
            yield from self.not_rising("stall_mps", field, why=f"stall must lie below {key}")
            if getattr(self, field) > self.never_exceed_mps:
                yield Broken((key, "never_exceed"), f"{key} must not lie above never_exceed")
        yield from self.not_rising("stall_mps", "never_exceed_mps", why="stall must lie below never_exceed")


class Glider(Section):
    """The whole glider file."""

    name: str = short_text("Quendel 2", "Name of the glider, for reports")
    reference_mass_kg: float = required("520 kg", "80 kg", "1200 kg", "Mass for which the polar is valid")
    wing_area_m2: float = required("17.5 m2", "4 m2", "40 m2", "Wing area")
    polar: Polar
    limits: Limits

    def broken_rules(self) -> Iterator[Broken]:
        """The polar must be that of a sailplane within these limits; unchecked if it breaks its own rules."""
        if any(True for _ in self.polar.broken_rules()):
            return
        a, b, c = self.polar.coefficients
        stall, never_exceed = self.limits.stall_mps, self.limits.never_exceed_mps
        keys = tuple(f"polar.{key}" for key in self.polar.keys)
        slowest_sink = min(max(-b / (2 * a), stall), never_exceed)
        least = (a * slowest_sink + b) * slowest_sink + c
        if least <= 0:
            at = show(round(slowest_sink * 3.6) / 3.6, SPEED, "km/h")
            yield Broken(keys, f"at {at} this polar climbs in still air; check the numbers and their units")
            return
        # V/sink is greatest where sink/V = a·V + b + c/V is least: at V = √(c/a), with the value 2·√(a·c)
        # + b. With c ≤ 0 there is no such speed.
        best = math.sqrt(max(c, 0.0) / a)
        if not stall / 2 < best < never_exceed:
            found = f"lies at {best * 3.6:.0f} km/h" if c > 0 else "lies nowhere"
            yield Broken(
                (*keys, "limits.stall", "limits.never_exceed"),
                f"the best glide of this polar {found}; expected between half of stall and never_exceed",
            )
            return
        low, high = _GLIDE_RATIOS
        slope = 2 * math.sqrt(a * c) + b
        if not 1 / high <= slope <= 1 / low:
            found = f"is {1 / slope:.0f}" if slope > 0 else "is endless"
            yield Broken(
                keys,
                f"the best glide ratio of this polar {found}; expected {low:g} to {high:g}, check the units",
            )
