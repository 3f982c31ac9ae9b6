"""The tables of a scenario file that may be repeated, such as [[thermal]] and [[phase]]."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Literal, get_args

from hw_replay.simulate.faults import FileKind
from hw_replay.simulate.pressure_lines import LineKind
from vario.settings.errors import Broken
from vario.settings.fields import (
    Section,
    choice,
    number,
    optional,
    optional_number,
    optional_text,
    quantity,
    required,
    short_text,
)


class ThermalTable(Section):
    """An updraft by Allen's model, AIAA 2006-1510 (NASA TM-2006-214019)."""

    name: str = short_text("east of the wood", "Name, for the phases")
    north_m: float = required("1000 m", "-500 km", "500 km", "Distance north of the field at the start")
    east_m: float = required("1000 m", "-500 km", "500 km", "Distance east of the field at the start")
    scale_mps: float = required(
        "4 m/s",
        "0.1 m/s",
        "10 m/s",
        "Convective velocity scale w*; the updraft in the core is slightly weaker",
    )
    top_m: float = required("2000 m", "200 m", "6000 m", "Depth of the convective layer above the field")
    width: float = number(1.0, 0.2, 5.0, "Width, relative to the mean thermal of the model")


class GustTable(Section):
    """A single 1 − cos gust, the same everywhere at one time (MIL-F-8785C, discrete gust)."""

    at_s: float = required("60 s", "0 s", "1000 min", "Start time")
    rise_s: float = quantity("1 s", "0.05 s", "60 s", "Rise time and decay time")
    lasts_s: float | None = optional(
        "5 s", "0 s", "1000 min", "Time from the start to the start of the decay; absent: no decay"
    )
    north_mps: float = quantity("0 m/s", "-30 m/s", "30 m/s", "Velocity of the air to the north")
    east_mps: float = quantity("0 m/s", "-30 m/s", "30 m/s", "Velocity of the air to the east")
    up_mps: float = quantity("0 m/s", "-30 m/s", "30 m/s", "Velocity of the air upwards")


class WindLayerTable(Section):
    """The wind at one height; it is interpolated linearly between the layers."""

    height_m: float = required("500 m", "0 m", "12000 m", "Height above the field")
    from_rad: float = required("270 deg", "0 deg", "360 deg", "Direction that the wind comes from")
    speed_mps: float = required("8 m/s", "0 m/s", "60 m/s", "Wind speed")


ENDS = ("after_s", "above_m", "below_m", "faster_mps", "slower_mps", "within_m", "past_m", "turned_rad")
"""The conditions that end a phase; the first that becomes true ends it."""


class PhaseTable(Section):
    """One phase of the flight."""

    name: str = short_text("first climb", "Name, for the reader of the file")
    speed_mps: float = required("95 km/h", "0 km/h", "280 km/h", "Indicated airspeed to hold")
    steer: Literal["straight", "heading", "thermal", "circle", "centre"] = choice(
        "straight",
        "straight: wings level; heading: fly the heading; thermal: fly towards the thermal; circle: circle "
        "with the bank; centre: circle and centre on the core of the thermal",
    )
    heading_rad: float | None = optional("90 deg", "0 deg", "360 deg", "Heading, for steer = heading")
    bank_rad: float | None = optional(
        "40 deg", "-70 deg", "70 deg", "Bank, for circle and centre; negative: left"
    )
    thermal: str | None = optional_text(
        "east of the wood", "Name of the thermal, for thermal, centre, within and past"
    )
    miss_m: float = quantity(
        "0 m", "-1000 m", "1000 m", "Distance at which to pass the core, with the core to the right"
    )
    manner: Literal["free", "tow", "round out"] = choice(
        "free", "free: free flight; tow: aerotow behind a tug that climbs; round out: land"
    )
    climb_mps: float = quantity("3 m/s", "0 m/s", "8 m/s", "Climb rate of the tug")
    airbrakes: float = number(0.0, 0.0, 1.0, "Airbrake setting, 0 closed to 1 open")
    wheel_brake: float = number(0.0, 0.0, 1.0, "Wheel brake, 0 released to 1 full")
    ground_bank_rad: float = quantity(
        "0 deg", "-10 deg", "10 deg", "Bank on the ground, with a wing on the grass"
    )
    after_s: float | None = optional("30 s", "0 s", "1000 min", "Ends after this time")
    above_m: float | None = optional("800 m", "0 m", "8000 m", "Ends above this height over the field")
    below_m: float | None = optional("200 m", "0 m", "8000 m", "Ends below this height over the field")
    faster_mps: float | None = optional("100 km/h", "0 km/h", "280 km/h", "Ends above this airspeed")
    slower_mps: float | None = optional("80 km/h", "0 km/h", "280 km/h", "Ends below this airspeed")
    within_m: float | None = optional("200 m", "1 m", "50 km", "Ends this near to the thermal's core")
    past_m: float | None = optional("30 m", "-1000 m", "1000 m", "Ends when the core is this far behind")
    turned_rad: float | None = optional("360 deg", "1 deg", "36000 deg", "Ends after a turn by this angle")

    def broken_rules(self) -> Iterator[Broken]:
        """Each way to steer has the keys that it needs."""
        needs = {
            "heading": ("heading",),
            "thermal": ("thermal",),
            "circle": ("bank",),
            "centre": ("thermal", "bank"),
        }
        given = {"heading": self.heading_rad, "thermal": self.thermal, "bank": self.bank_rad}
        for key in needs.get(self.steer, ()):
            if given[key] is None:
                yield Broken(("steer",), f"also needs {key}")
        if self.thermal is None and (self.within_m is not None or self.past_m is not None):
            yield Broken(("within" if self.within_m is not None else "past",), "also needs thermal")


class FaultTable(Section):
    """A fault of a sensor.

    loss: no samples. freeze: the first value is repeated. stop: every value is `size`, the end of the range.
    spikes: `size` is added to or subtracted from some samples. bias: `size` is added. noise: the total white
    noise is `size` times that of the sensor. late: samples arrive `by` later, with the correct time. stamped
    late: the time of the samples is `by` too late. duplicates: some samples arrive twice. disorder: some
    samples are exchanged with the next one. clock jump: times are `size` seconds later (negative: earlier).
    scale: every value is multiplied by `size`.

    Channel pressures: total blocked: pitot and drain are iced. static blocked: the static ports are iced.
    static lag: the static pressure follows with the time constant `by`. static suction: the barometer is
    connected to a total-energy probe with the pressure coefficient -`size`.
    """

    channel: Literal[
        "all",
        "baro",
        "pitot",
        "imu_accel",
        "imu_gyro",
        "gnss_pos",
        "gnss_vel",
        "oat",
        "pressures",
        "gnss_altitude",
    ] = choice(
        "baro", "Channel; all: all channels together; pressures: baro and pitot, which share the static line"
    )
    kind: FileKind = choice("loss", "Kind of fault")
    from_s: float = quantity("0 s", "0 s", "1000 min", "Start time")
    until_s: float | None = optional("60 s", "0 s", "1000 min", "End time; absent: no end")
    size: float | None = optional_number(
        50.0,
        -1e6,
        1e6,
        "Size of spikes, stop and bias in Pa, m/s, rad/s, m/s2, m or K; of a jump: s; otherwise a factor",
    )
    share: float = number(0.02, 0.0, 1.0, "Fraction of samples with spikes, duplicates, disorder")
    by_s: float | None = optional("0.5 s", "0 s", "60 s", "Delay, for late, stamped late and static lag")
    every_s: float = quantity("0 s", "0 s", "60 min", "Period of a repeated fault; 0: it lasts all the time")
    lasts_s: float = quantity("0 s", "0 s", "60 min", "Duration of each repetition")

    def broken_rules(self) -> Iterator[Broken]:
        """Each kind of fault has the keys that it needs."""
        sized = ("spikes", "stop", "bias", "noise", "clock jump", "scale", "static suction")
        if self.kind in sized and self.size is None:
            yield Broken(("kind",), "also needs size")
        if self.kind in ("late", "stamped late") and self.by_s is None:
            yield Broken(("kind",), "also needs by")
        if self.kind == "static lag" and not self.by_s:
            yield Broken(("kind",), "also needs by, above 0 s")
        if (self.every_s > 0.0) is not (self.lasts_s > 0.0):
            yield Broken(("every", "lasts"), "a repeated fault needs both, above 0 s")
        if (self.kind in get_args(LineKind)) is not (self.channel == "pressures"):
            yield Broken(("kind", "channel"), "total blocked and the static faults are those of pressures")
        if self.until_s is not None and self.until_s <= self.from_s:
            yield Broken(("from", "until"), "until must be later than from")


TABLES: Mapping[str, type[Section]] = MappingProxyType(
    {
        "thermal": ThermalTable,
        "gust": GustTable,
        "wind_layer": WindLayerTable,
        "phase": PhaseTable,
        "fault": FaultTable,
    }
)
"""The tables that may be repeated, by name."""
