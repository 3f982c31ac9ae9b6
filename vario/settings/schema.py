"""All settings: key, unit, range, default and description. Defaults are defined only here.

A field name ends in its SI unit. The key in the file is the name without this ending, and the value in
the file is a quantity in quotes ("20 s"). Each stage receives the frozen section that it uses.
"""

from collections.abc import Iterator
from typing import Literal

from vario.settings.controls import Controls, ModeOverride
from vario.settings.display import Display
from vario.settings.errors import Broken
from vario.settings.fields import (
    Section,
    choice,
    number,
    optional,
    optional_number,
    optional_text,
    quantity,
    section,
)
from vario.settings.hardware import Audio, Gnss, RecorderSettings, Sensors
from vario.settings.output import Declaration, Nmea, Page
from vario.settings.tone import Tone
from vario.settings.voice import SpokenValues


class FlightSettings(Section):
    """Settings that the pilot changes in flight."""

    maccready_mps: float = quantity(
        "1 m/s", "0 m/s", "10 m/s", "MacCready value: the climb rate you expect in the next thermal"
    )
    ballast_kg: float = quantity("0 kg", "0 kg", "500 kg", "Water ballast on board")
    mass_kg: float | None = optional(
        "450 kg", "80 kg", "1200 kg", "Flying mass without ballast; absent: the reference mass of the glider"
    )
    flying_speed_mps: float | None = optional(
        "6 m/s",
        "3 m/s",
        "22 m/s",
        "The glider flies above this airspeed; absent: 0.8 times the stall speed of the glider file, at most "
        "15 m/s. Without a glider file it is learned from the heights and speeds of an imported file; "
        "otherwise it is 15 m/s",
    )
    bugs: float = number(
        0.0, 0.0, 0.5, "Additional sink caused by insects or rain, as a fraction: 0.1 means 10 % more"
    )
    mode: ModeOverride = choice(
        "automatic",
        "automatic detects the mode from the flight; cruise, circling and approach hold that mode; in "
        "approach there is no speed to fly, and no tone for sink",
    )


class Vario(Section):
    """The variometer."""

    damping_s: float = quantity(
        "0.2 s", "0 s", "5 s", "Time constant of the damping of needle and tone; 0 s: no damping"
    )
    gust_rejection_time_s: float = quantity(
        "30 s",
        "1 s",
        "60 s",
        "How long a change of the head wind is excluded from the vario. A longer time rejects more of it,"
        " but delays the indication of a lasting wind gradient, which is a real gain of energy",
    )


class Average(Section):
    """The averager."""

    window_s: float = quantity("20 s", "2 s", "120 s", "Length of the running average")


class Circling(Section):
    """When the mode changes between cruise and circling, and which circling belongs to the same climb."""

    entry_angle_rad: float = quantity(
        "180 deg",
        "45 deg",
        "720 deg",
        "Circling begins after a heading change of this size in one direction",
    )
    entry_time_s: float = quantity(
        "1 s", "0 s", "20 s", "Circling begins only if the turn then continues for this time"
    )
    min_turn_rate_radps: float = quantity(
        "5 deg/s", "2 deg/s", "20 deg/s", "A turn rate below this does not count as circling"
    )
    exit_time_s: float = quantity(
        "5.5 s",
        "1 s",
        "60 s",
        "Circling ends when the mean turn rate in its direction over this time is below min_turn_rate",
    )
    climb_merge_time_s: float = quantity(
        "60 s",
        "0 s",
        "300 s",
        "Circling again within this time continues the same climb, if it is within climb_merge_distance",
    )
    climb_merge_distance_m: float = quantity(
        "500 m",
        "50 m",
        "5 km",
        "Maximum distance from the climb, which drifts with the wind, for continuing it",
    )
    bank_rad: float = quantity(
        "40 deg",
        "15 deg",
        "60 deg",
        "Your bank angle while circling, for relative netto (the climb rate that circling here would give)",
    )
    speed_mps: float | None = optional(
        "95 km/h",
        "50 km/h",
        "200 km/h",
        "Your airspeed while circling, for relative netto; absent: the airspeed of minimum sink at this bank",
    )
    slow_advice: Literal["on", "off"] = choice(
        "on",
        "on: while circling, a cue advises you that the airspeed is below 1.1 times the stall speed of the "
        "glider file at the present load factor. It is no stall warning",
    )


class Centring(Section):
    """Distribution of the lift around the circle, and the cue for centring."""

    averaging_turns: float = number(
        1.5, 1.0, 10.0, "Number of turns over which the distribution of the lift is averaged"
    )
    min_asymmetry_mps: float = quantity(
        "0.2 m/s",
        "0 m/s",
        "2 m/s",
        "No direction of the strongest lift is given if the lift varies by less than this around the circle",
    )
    min_gain_mps: float = quantity(
        "0.15 m/s", "0 m/s", "2 m/s", "No cue sounds if shifting the circle would gain less climb than this"
    )
    reaction_s: float = quantity(
        "0.8 s", "0 s", "3 s", "Time from the cue to the movement of your stick; the cue sounds earlier by it"
    )
    roll_rate_radps: float = quantity(
        "15 deg/s",
        "5 deg/s",
        "60 deg/s",
        "Your roll rate out of and into the circle, until the instrument has learned it from your rolls",
    )
    lag_s: float = quantity(
        "0 s", "0 s", "5 s", "Delay of the vario; the distribution of the lift is corrected for it"
    )
    lag_no_imu_s: float = quantity("1.5 s", "0 s", "5 s", "Delay of the vario without inertial sensor")


class ExpectedClimb(Section):
    """Estimate of the climb rate that circling here would give, made while flying straight."""

    average_s: float | None = optional(
        "5 s",
        "1 s",
        "20 s",
        "Averaging time; absent: the time in which the glider flies 1.7 diameters of the circle",
    )


class SpeedToFly(Section):
    """Speed to fly in cruise."""

    mode: Literal["dolphin", "block"] = choice(
        "dolphin",
        "dolphin: the speed follows the air mass now, up to the manoeuvring speed; block: constant speed "
        "for the MacCready value, in smooth air up to 95 % of never_exceed",
    )
    damping_s: float = quantity(
        "1 s",
        "0.5 s",
        "20 s",
        "Time constant of the filter for the air mass value that the dolphin speed uses; how much of the "
        "value lasts is learned in flight",
    )
    turbulence_threshold_mps2: float = quantity(
        "1.2 m/s2", "0.3 m/s2", "5 m/s2", "Turbulence (RMS) above which no speed above rough_air is proposed"
    )


class Goal(Section):
    """Goal of the final glide. Without latitude, longitude and elevation there is no goal.

    Caution: this is arithmetic only; it knows no terrain, no obstacles and no airspace. The calculation uses
    the latest wind estimate and the sink expected here.
    """

    latitude: float | None = optional_number(50.12, -90.0, 90.0, "In degrees, north positive")
    longitude: float | None = optional_number(10.34, -180.0, 180.0, "In degrees, east positive")
    elevation_m: float | None = optional("420 m", "-400 m", "5000 m", "Height above mean sea level")
    reserve_m: float = quantity("200 m", "0 m", "2000 m", "Arrival height above the goal")
    sink_mps: float = quantity(
        "0 m/s", "0 m/s", "2 m/s", "Mean sink of the air that you expect on the way to the goal"
    )

    def broken_rules(self) -> Iterator[Broken]:
        """A goal needs all of its three keys."""
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

    rate_hz: float = quantity("10 Hz", "0.1 Hz", "50 Hz", "Rows per second in trace.csv")


class Settings(Section):
    """The whole settings file."""

    glider: str | None = optional_text(
        "gliders/quendel_2.toml", "Glider file, relative to this file; absent: no netto and no speed to fly"
    )
    flight: FlightSettings = section()
    vario: Vario = section()
    average: Average = section()
    circling: Circling = section()
    centring: Centring = section()
    expected_climb: ExpectedClimb = section()
    speed_to_fly: SpeedToFly = section()
    goal: Goal = section()
    tone: Tone = section()
    voice: SpokenValues = section()
    display: Display = section()
    controls: Controls = section()
    trace: Trace = section()
    sensors: Sensors = section()
    gnss: Gnss = section()
    recorder: RecorderSettings = section()
    audio: Audio = section()
    nmea: Nmea = section()
    page: Page = section()
    declaration: Declaration = section()
