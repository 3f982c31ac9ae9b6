"""The glider file: polar, masses and the speeds never to leave."""

from __future__ import annotations

from typing import Self

from pydantic import Field, field_validator, model_validator

from vario.settings.quantity import SPEED, parse
from vario.settings.schema import Section, quantity


class Polar(Section):
    """Sink against airspeed at the reference mass and sea-level density.

    Either three points, each an airspeed and the sink there, or the coefficients of
    sink = a·V² + b·V + c with V and sink in m/s.
    """

    points: tuple[tuple[float, float], ...] | None = Field(
        default=None, description='Three pairs of airspeed and sink, e.g. ["100 km/h", "0.70 m/s"]'
    )
    a: float | None = Field(default=None, gt=0.0, le=0.1, description="Quadratic coefficient, 1/(m/s)")
    b: float | None = Field(default=None, ge=-2.0, lt=0.0, description="Linear coefficient")
    c: float | None = Field(default=None, gt=0.0, le=20.0, description="Constant, m/s")

    @field_validator("points", mode="before")
    @classmethod
    def _parse_points(cls, value: object) -> object:
        if value is None:
            return None
        if not (isinstance(value, list) and len(value) == 3 and all(len(pair) == 2 for pair in value)):
            raise ValueError("expected three pairs of an airspeed and the sink there")
        points = tuple((parse(speed, SPEED), parse(sink, SPEED)) for speed, sink in value)
        if len({speed for speed, _ in points}) < 3:
            raise ValueError("expected three different airspeeds")
        if any(speed <= 0 or sink <= 0 for speed, sink in points):
            raise ValueError("expected airspeed and sink above zero (sink is written without a sign)")
        return points

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        coefficients = (self.a, self.b, self.c)
        given = sum(value is not None for value in coefficients)
        if self.points is None and given < 3:
            raise ValueError("expected either points or all of a, b and c")
        if self.points is not None and given:
            raise ValueError("expected either points or a, b and c, not both")
        return self


class Limits(Section):
    """Indicated airspeeds from the flight manual. No speed outside stall to never_exceed is commanded."""

    stall_mps: float = quantity(..., "10 m/s", "40 m/s", "Stall speed, wings level, at the reference mass")  # type: ignore[arg-type]
    manoeuvring_mps: float = quantity(..., "20 m/s", "80 m/s", "Manoeuvring speed")  # type: ignore[arg-type]
    rough_air_mps: float = quantity(..., "20 m/s", "80 m/s", "Highest speed in rough air")  # type: ignore[arg-type]
    never_exceed_mps: float = quantity(..., "25 m/s", "120 m/s", "Never-exceed speed")  # type: ignore[arg-type]


class Glider(Section):
    """The whole glider file."""

    name: str = Field(description="Name for reports")
    reference_mass_kg: float = quantity(..., "80 kg", "1200 kg", "Mass the polar is for")  # type: ignore[arg-type]
    wing_area_m2: float = quantity(..., "4 m2", "40 m2", "Wing area")  # type: ignore[arg-type]
    polar: Polar
    limits: Limits
