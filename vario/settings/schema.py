"""Every setting: key, unit, range, default and what it does. The only place a default is written.

A field's name ends in its SI unit; its key in the file is the name without that ending, and its value
in the file is a quantity in quotes ("20 s"). Stages take the frozen section that concerns them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from vario.settings.errors import Broken
from vario.settings.fields import (
    Section,
    choice,
    number,
    optional,
    optional_number,
    quantity,
)
from vario.settings.fitted import Audio, Gnss, Recorder, Sensors
from vario.settings.output import Nmea
from vario.settings.tone import Tone


class Flight(Section):
    """What the pilot changes in the air."""

    maccready_mps: float = quantity(
        "1 m/s", "0 m/s", "10 m/s", "MacCready value: the climb you expect in the next thermal"
    )
    ballast_kg: float = quantity("0 kg", "0 kg", "500 kg", "Water ballast on board")
    mass_kg: float | None = optional(
        "450 kg", "80 kg", "1200 kg", "Flying mass without ballast; absent: the glider's reference mass"
    )
    bugs: float = number(0.0, 0.0, 0.5, "Extra sink from insects or rain, as a fraction: 0.1 is 10 % more")
    mode: Literal["automatic", "cruise", "circling"] = choice(
        "automatic", "automatic changes between cruise and circling by itself; the others hold one of them"
    )


class Vario(Section):
    """The vario itself."""

    damping_s: float = quantity(
        "1 s", "0 s", "5 s", "Time constant of the damping for needle and tone; 0 s is undamped"
    )
    gust_memory_s: float = quantity(
        "30 s",
        "1 s",
        "60 s",
        "How long a change of head wind is kept out of the vario; longer rejects more, but a lasting wind "
        "gradient, which is real energy, shows later",
    )


class Average(Section):
    """The averager."""

    window_s: float = quantity("20 s", "2 s", "120 s", "Length of the running average")


class Circling(Section):
    """When the instrument changes between cruise and circling, and what belongs to one climb."""

    start_after_rad: float = quantity(
        "180 deg", "45 deg", "720 deg", "Heading change in one direction that begins circling"
    )
    start_hold_s: float = quantity(
        "1 s", "0 s", "20 s", "Turning goes on for this long after that before circling begins"
    )
    turn_rate_radps: float = quantity(
        "5 deg/s", "2 deg/s", "20 deg/s", "Turning slower than this does not count as circling"
    )
    stop_after_s: float = quantity(
        "8 s", "1 s", "60 s", "Time without turning after which circling has ended"
    )
    same_climb_within_s: float = quantity(
        "60 s", "0 s", "300 s", "Circling again within this time continues the same climb, ..."
    )
    same_climb_distance_m: float = quantity(
        "500 m", "50 m", "5 km", "... if it is no further away than this, in the drifting air"
    )
    bank_rad: float = quantity(
        "40 deg",
        "15 deg",
        "60 deg",
        "Bank you circle with, for relative netto (what a climb here would give)",
    )
    speed_mps: float | None = optional(
        "95 km/h",
        "50 km/h",
        "200 km/h",
        "Airspeed you circle with, for relative netto; absent: that of least sink at this bank",
    )


class Centring(Section):
    """Lift around the circle: where it is strongest, and the cue that says so."""

    memory_turns: float = number(1.5, 1.0, 10.0, "How many turns the picture of the lift remembers")
    least_asymmetry_mps: float = quantity(
        "0.2 m/s", "0 m/s", "2 m/s", "Lift that varies less than this around the circle gives no cue"
    )
    cue_at: Literal["strongest", "roll_out"] = choice(
        "strongest",
        "strongest: the cue sounds as you come to the strongest lift; "
        "roll_out: as the nose comes to where to level the wings to move the circle there",
    )
    lead_rad: float = quantity("10 deg", "0 deg", "90 deg", "How far ahead of that the cue sounds")
    lag_s: float = quantity("0 s", "0 s", "5 s", "Lag of the vario; the picture is turned back by as much")
    lag_no_imu_s: float = quantity("1.5 s", "0 s", "5 s", "The same without inertial sensor")


class ExpectedClimb(Section):
    """What circling here would give, while still flying straight."""

    average_s: float | None = optional(
        "5 s",
        "1 s",
        "20 s",
        "Time over which it is averaged; absent: as long as 1.7 times the way across the circle takes",
    )


class SpeedToFly(Section):
    """The speed to fly in cruise."""

    mode: Literal["dolphin", "block"] = choice(
        "dolphin",
        "dolphin follows the air you fly through, up to manoeuvring speed; block holds the speed for the "
        "MacCready value, in air found smooth up to 95 % of never_exceed",
    )
    damping_s: float = quantity(
        "3 s", "0.5 s", "20 s", "Time constant of the airmass value the dolphin speed follows"
    )
    rough_from_mps2: float = quantity(
        "1.2 m/s2", "0.3 m/s2", "5 m/s2", "Bumps (RMS) from which no speed above rough_air is proposed"
    )


class Goal(Section):
    """Where to glide to. Without latitude, longitude and elevation there is no goal.

    Caution: terrain, airspace and the air on the way are not known; the wind is the latest one found.
    """

    latitude: float | None = optional_number(50.12, -90.0, 90.0, "Degrees, north positive")
    longitude: float | None = optional_number(10.34, -180.0, 180.0, "Degrees, east positive")
    elevation_m: float | None = optional("420 m", "-400 m", "5000 m", "Height above mean sea level")
    reserve_m: float = quantity("200 m", "0 m", "2000 m", "Height to arrive with above the goal")

    def broken_rules(self) -> Iterator[Broken]:
        """The whole goal or none of it."""
        parts = {
            "latitude": self.latitude,
            "longitude": self.longitude,
            "elevation": self.elevation_m,
        }
        missing = [name for name, value in parts.items() if value is None]
        if missing and len(missing) < len(parts):
            given = tuple(name for name in parts if name not in missing)
            yield Broken(given, f"a goal needs {' and '.join(missing)} too")


class Trace(Section):
    """What a replay writes."""

    rate_hz: float = quantity("10 Hz", "0.1 Hz", "50 Hz", "Rows a second in trace.csv")


class Settings(Section):
    """The whole settings file."""

    glider: str | None = Field(
        default=None,
        description="Glider file, relative to this file; without one no netto and no speed to fly are given",
        json_schema_extra={"example": "gliders/quendel_2.toml"},
    )
    flight: Flight = Field(default_factory=Flight)
    vario: Vario = Field(default_factory=Vario)
    average: Average = Field(default_factory=Average)
    circling: Circling = Field(default_factory=Circling)
    centring: Centring = Field(default_factory=Centring)
    expected_climb: ExpectedClimb = Field(default_factory=ExpectedClimb)
    speed_to_fly: SpeedToFly = Field(default_factory=SpeedToFly)
    goal: Goal = Field(default_factory=Goal)
    tone: Tone = Field(default_factory=Tone)
    trace: Trace = Field(default_factory=Trace)
    sensors: Sensors = Field(default_factory=Sensors)
    gnss: Gnss = Field(default_factory=Gnss)
    recorder: Recorder = Field(default_factory=Recorder)
    audio: Audio = Field(default_factory=Audio)
    nmea: Nmea = Field(default_factory=Nmea)
