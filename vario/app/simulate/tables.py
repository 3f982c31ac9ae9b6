"""The tables of a scenario file that may come more than once, such as [[thermal]] and [[phase]]."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Literal

from pydantic import Field

from hw_replay.simulate.faults import FileKind
from vario.settings.errors import Broken
from vario.settings.fields import Section, choice, number, optional, optional_number, quantity, required


class ThermalTable(Section):
    """An updraft by Allen's model, AIAA 2006-1510 (NASA TM-2006-214019)."""

    name: str = Field(
        min_length=1,
        max_length=60,
        description="To steer by",
        json_schema_extra={"example": "east of the wood"},
    )
    north_m: float = required("1000 m", "-500 km", "500 km", "Where it is at the beginning, from the field")
    east_m: float = required("1000 m", "-500 km", "500 km", "Likewise")
    scale_mps: float = required(
        "4 m/s", "0.1 m/s", "10 m/s", "Convective velocity scale w*; the core is a little weaker than that"
    )
    top_m: float = required("2000 m", "200 m", "6000 m", "Depth of the convective layer above the field")
    width: float = number(1.0, 0.2, 5.0, "Of this one, in widths of the model's mean one")


class GustTable(Section):
    """A single gust, 1 − cos, felt everywhere at once (MIL-F-8785C, discrete gust)."""

    at_s: float = required("60 s", "0 s", "1000 min", "When it begins")
    rise_s: float = quantity("1 s", "0.05 s", "60 s", "How long it takes to rise, and to die out")
    lasts_s: float | None = optional("5 s", "0 s", "1000 min", "Until it begins to die out; absent: for good")
    north_mps: float = quantity("0 m/s", "-30 m/s", "30 m/s", "Air moving to the north")
    east_mps: float = quantity("0 m/s", "-30 m/s", "30 m/s", "Air moving to the east")
    up_mps: float = quantity("0 m/s", "-30 m/s", "30 m/s", "Air moving up")


class WindLayerTable(Section):
    """The wind at one height; linear between the layers."""

    height_m: float = required("500 m", "0 m", "12000 m", "Above the field")
    from_rad: float = required("270 deg", "0 deg", "360 deg", "Where it comes from")
    speed_mps: float = required("8 m/s", "0 m/s", "60 m/s", "Its speed")


ENDS = ("after_s", "above_m", "below_m", "faster_mps", "slower_mps", "within_m", "past_m", "turned_rad")
"""The conditions that end a phase; the first to hold does."""


class PhaseTable(Section):
    """One line of the pilot's script."""

    name: str = Field(
        min_length=1,
        max_length=60,
        description="For the reader",
        json_schema_extra={"example": "first climb"},
    )
    speed_mps: float = required("95 km/h", "0 km/h", "280 km/h", "Indicated airspeed to hold")
    steer: Literal["straight", "heading", "thermal", "circle", "centre"] = choice(
        "straight",
        "straight: wings level; heading: fly it; thermal: fly towards it; circle: with a bank; "
        "centre: circle and ease onto the thermal's core",
    )
    heading_rad: float | None = optional("90 deg", "0 deg", "360 deg", "For steer = heading")
    bank_rad: float | None = optional("40 deg", "-70 deg", "70 deg", "For circle and centre; minus is left")
    thermal: str | None = Field(
        default=None,
        description="Name of the thermal, for thermal, centre, within and past",
        json_schema_extra={"example": "east of the wood"},
    )
    miss_m: float = quantity("0 m", "-1000 m", "1000 m", "Pass so far beside it, core to the right")
    manner: Literal["free", "tow", "round out"] = choice(
        "free", "free flight; tow: behind a tug that climbs; round out: land"
    )
    climb_mps: float = quantity("3 m/s", "0 m/s", "8 m/s", "The tug's climb")
    airbrakes: float = number(0.0, 0.0, 1.0, "How far they are out")
    wheel_brake: float = number(0.0, 0.0, 1.0, "How far it is pulled")
    ground_bank_rad: float = quantity("0 deg", "-10 deg", "10 deg", "Bank on the wheel: a wing on the grass")
    after_s: float | None = optional("30 s", "0 s", "1000 min", "Ends after this time")
    above_m: float | None = optional("800 m", "0 m", "8000 m", "Ends above this height over the field")
    below_m: float | None = optional("200 m", "0 m", "8000 m", "Ends below this height over the field")
    faster_mps: float | None = optional("100 km/h", "0 km/h", "280 km/h", "Ends above this airspeed")
    slower_mps: float | None = optional("80 km/h", "0 km/h", "280 km/h", "Ends below this airspeed")
    within_m: float | None = optional("200 m", "1 m", "50 km", "Ends this near to the thermal's core")
    past_m: float | None = optional("30 m", "-1000 m", "1000 m", "Ends with the core this far behind")
    turned_rad: float | None = optional("360 deg", "1 deg", "36000 deg", "Ends after so much turning")

    def broken_rules(self) -> Iterator[Broken]:
        """Each way to steer needs what it needs."""
        needs = {
            "heading": ("heading",),
            "thermal": ("thermal",),
            "circle": ("bank",),
            "centre": ("thermal", "bank"),
        }
        given = {"heading": self.heading_rad, "thermal": self.thermal, "bank": self.bank_rad}
        for key in needs.get(self.steer, ()):
            if given[key] is None:
                yield Broken(("steer",), f"needs {key} too")
        if self.thermal is None and (self.within_m is not None or self.past_m is not None):
            yield Broken(("within" if self.within_m is not None else "past",), "needs thermal too")


class FaultTable(Section):
    """Something that goes wrong with a sensor.

    loss: no samples. freeze: the first value goes on. stop: every value is `size`, the end of the range.
    spikes: `size` is added to or taken from some. bias: `size` is added. noise: white noise, `size` times
    that of the sensor, all told. late: samples arrive `by` later, with their true time. stamped late: they
    carry a time `by` too late. duplicates: some come twice. disorder: some change places with the next.
    clock jump: times are `size` seconds later (or earlier).
    """

    channel: Literal["all", "baro", "pitot", "imu_accel", "imu_gyro", "gnss_pos", "gnss_vel", "oat"] = choice(
        "baro", "Which; all is every one at once"
    )
    kind: FileKind = choice("loss", "What happens")
    from_s: float = quantity("0 s", "0 s", "1000 min", "When it begins")
    until_s: float | None = optional("60 s", "0 s", "1000 min", "When it ends; absent: never")
    size: float | None = optional_number(
        50.0,
        -1e6,
        1e6,
        "Of spikes, stop and bias, in Pa, m/s, rad/s, m/s2, m or K; of noise, times; of a jump, seconds",
    )
    share: float = number(0.02, 0.0, 1.0, "How many samples are hit by spikes, duplicates, disorder")
    by_s: float | None = optional("0.5 s", "0 s", "60 s", "How late")

    def broken_rules(self) -> Iterator[Broken]:
        """Each kind needs what it needs."""
        if self.kind in ("spikes", "stop", "bias", "noise", "clock jump") and self.size is None:
            yield Broken(("kind",), "needs size too")
        if self.kind in ("late", "stamped late") and self.by_s is None:
            yield Broken(("kind",), "needs by too")
        if self.until_s is not None and self.until_s <= self.from_s:
            yield Broken(("from", "until"), "until must lie after from")


TABLES: Mapping[str, type[Section]] = MappingProxyType(
    {
        "thermal": ThermalTable,
        "gust": GustTable,
        "wind_layer": WindLayerTable,
        "phase": PhaseTable,
        "fault": FaultTable,
    }
)
"""The tables that may come more than once."""
