"""Schema of a scenario file: place, air, wind, glider, start, sensors and truth.

A scenario file is written like a settings file, values with their unit in quotes. `tables` defines the tables
that may be repeated.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from vario.settings.errors import Broken
from vario.settings.fields import Section, choice, number, optional, optional_text, quantity, short_text


class PlaceTable(Section):
    """The airfield; the ground around it is flat."""

    latitude: float = number(50.0, -80.0, 80.0, "Degrees, north positive")
    longitude: float = number(10.0, -180.0, 180.0, "Degrees, east positive")
    elevation_m: float = quantity("400 m", "-400 m", "4000 m", "Height above mean sea level")
    runway_rad: float = quantity("270 deg", "0 deg", "360 deg", "Direction of take-off and landing")


class AirTable(Section):
    """The air between and around the thermals."""

    sea_level_pa: float = quantity("1013.25 hPa", "950 hPa", "1060 hPa", "Pressure at sea level")
    warmer: float = number(
        0.0, -40.0, 40.0, "Difference of air temperature from the standard atmosphere, in kelvin"
    )
    sink_mps: float = quantity("0 m/s", "-5 m/s", "0 m/s", "Vertical velocity between thermals")
    turbulence_mps: float = quantity(
        "0 m/s", "0 m/s", "5 m/s", "Standard deviation of the turbulence on each axis; 0 m/s is smooth air"
    )


class WindTable(Section):
    """A steady wind that increases with height by the one-seventh power law. With layers it is not used."""

    from_rad: float = quantity("0 deg", "0 deg", "360 deg", "Direction that the wind comes from")
    speed_mps: float = quantity("0 m/s", "0 m/s", "50 m/s", "Wind speed at the height `at`")
    at_m: float = quantity("500 m", "10 m", "5000 m", "Height above the field at which `speed` applies")


class GliderTable(Section):
    """The glider flown."""

    file: str | None = optional_text(
        "gliders/quendel_2.toml",
        "Glider file, relative to this file; absent: the fictional two-seater of the demo",
    )
    mass_kg: float | None = optional(
        "450 kg", "80 kg", "1500 kg", "Flying mass, ballast included; absent: the glider's reference mass"
    )


class StartTable(Section):
    """Start of the flight: at rest on the field, or in the air if height and speed are set."""

    height_m: float | None = optional("800 m", "50 m", "8000 m", "Height above the field")
    speed_mps: float | None = optional("100 km/h", "50 km/h", "250 km/h", "Indicated airspeed")
    heading_rad: float | None = optional(
        "90 deg", "0 deg", "360 deg", "Heading; absent: the runway direction"
    )

    def broken_rules(self) -> Iterator[Broken]:
        """Height and speed must be set together."""
        if (self.height_m is None) != (self.speed_mps is None):
            given = "height" if self.speed_mps is None else "speed"
            yield Broken((given,), "a start in the air needs both height and speed")


class RatesTable(Section):
    """Samples per second of each sensor; each rate must divide 100 Hz."""

    imu_hz: float = quantity("50 Hz", "0.1 Hz", "100 Hz", "Accelerometer and gyro")
    baro_hz: float = quantity("25 Hz", "0.1 Hz", "100 Hz", "Static pressure")
    pitot_hz: float = quantity("25 Hz", "0.1 Hz", "100 Hz", "Impact pressure")
    gnss_hz: float = quantity("4 Hz", "0.1 Hz", "100 Hz", "Position and velocity")
    oat_hz: float = quantity("0.2 Hz", "0.1 Hz", "100 Hz", "Air temperature")


class BaroTable(Section):
    """Errors of the static pressure sensor; absent values: those of a typical module."""

    noise_pa: float | None = optional("1.5 Pa", "0 Pa", "100 Pa", "White noise of one sample")
    offset_pa: float | None = optional("22 Pa", "-1000 Pa", "1000 Pa", "Constant error of port and sensor")
    position_error: float = number(
        0.0, -0.2, 0.2, "Error of its static port, as a fraction of the impact pressure"
    )


class PitotTable(Section):
    """Errors of the airspeed sensor; absent values: those of a typical module."""

    noise_pa: float | None = optional("0.8 Pa", "0 Pa", "100 Pa", "White noise of one sample")
    offset_pa: float | None = optional("1.2 Pa", "-200 Pa", "200 Pa", "Reading at rest")
    lag_s: float | None = optional("50 ms", "0 s", "5 s", "Time constant of the tube")
    position_error: float = number(
        0.0, -0.2, 0.2, "Error of its static port, as a fraction of the impact pressure"
    )


class AccelTable(Section):
    """Errors of the accelerometer; absent values: those of a typical module."""

    noise_mps2: float | None = optional("0.05 m/s2", "0 m/s2", "5 m/s2", "White noise of one sample")
    bias_x_mps2: float | None = optional("0.04 m/s2", "-2 m/s2", "2 m/s2", "Constant error, forward")
    bias_y_mps2: float | None = optional("-0.03 m/s2", "-2 m/s2", "2 m/s2", "Constant error, right")
    bias_z_mps2: float | None = optional("0.05 m/s2", "-2 m/s2", "2 m/s2", "Constant error, down")


class GyroTable(Section):
    """Errors of the gyro; absent values: those of a typical module."""

    noise_radps: float | None = optional("0.1 deg/s", "0 deg/s", "20 deg/s", "White noise of one sample")
    bias_x_radps: float | None = optional("0.4 deg/s", "-20 deg/s", "20 deg/s", "Constant error in roll")
    bias_y_radps: float | None = optional("-0.3 deg/s", "-20 deg/s", "20 deg/s", "Constant error in pitch")
    bias_z_radps: float | None = optional("0.35 deg/s", "-20 deg/s", "20 deg/s", "Constant error in yaw")


class MountTable(Section):
    """Mounting error of the inertial sensor; absent values: about half a degree."""

    yaw_rad: float | None = optional("0.4 deg", "-180 deg", "180 deg", "Turned to the right")
    pitch_rad: float | None = optional("0.5 deg", "-90 deg", "90 deg", "Nose up")
    roll_rad: float | None = optional("-0.7 deg", "-180 deg", "180 deg", "Rolled to the right")


class GnssTable(Section):
    """Errors of the GNSS receiver."""

    delay_s: float | None = optional("0.1 s", "0 s", "5 s", "Delay of the time stamps of the velocity")


class SensorsTable(Section):
    """The sensors."""

    rates: RatesTable = Field(default_factory=RatesTable)
    baro: BaroTable = Field(default_factory=BaroTable)
    pitot: PitotTable = Field(default_factory=PitotTable)
    accel: AccelTable = Field(default_factory=AccelTable)
    gyro: GyroTable = Field(default_factory=GyroTable)
    mount: MountTable = Field(default_factory=MountTable)
    gnss: GnssTable = Field(default_factory=GnssTable)


class TruthTable(Section):
    """True values of the simulation, as reference channels whose names begin with truth_."""

    rate_hz: float = quantity("5 Hz", "0 Hz", "100 Hz", "Values per second; 0 Hz: no true values")
    channels: Literal["usual", "all"] = choice(
        "usual", "usual: height, airspeed, vario, netto, attitude, wind; all: also forces, rates and position"
    )


class ScenarioFile(Section):
    """A scenario file without the tables that may be repeated."""

    title: str = short_text("Simulated flight", "Name for reports", "Simulated flight")
    seed: int = number(1, 0, 10**9, "Seed of all random numbers; a whole number")
    longest_s: float = quantity("60 min", "1 s", "1000 min", "Latest end of the flight")
    unsteady: float = number(
        1.0, 0.0, 10.0, "Size of the random errors of the pilot: 1 is human, 0 is without errors"
    )
    place: PlaceTable = Field(default_factory=PlaceTable)
    air: AirTable = Field(default_factory=AirTable)
    wind: WindTable = Field(default_factory=WindTable)
    glider: GliderTable = Field(default_factory=GliderTable)
    start: StartTable = Field(default_factory=StartTable)
    sensors: SensorsTable = Field(default_factory=SensorsTable)
    truth: TruthTable = Field(default_factory=TruthTable)
