"""Settings of the hardware: sensors and their known errors, recorder, sound device."""

from collections.abc import Collection, Iterator
from typing import Any, ClassVar, Literal

from drivers.registry import CHIPS
from vario.settings.errors import Broken
from vario.settings.fields import (
    Hex,
    Section,
    choice,
    number,
    optional,
    optional_number,
    optional_text,
    quantity,
    section,
)
from vario.settings.near import nearest
from vario.settings.quantity import PRESSURE, parse

NOISE_RANGE = "0.02 Pa", "100 Pa"
"""Lowest and highest noise of a pressure sensor."""

LEAST_NOISE_PA, MOST_NOISE_PA = parse(NOISE_RANGE[0], PRESSURE), parse(NOISE_RANGE[1], PRESSURE)

PITOT_OFFSET_RANGE = "-200 Pa", "200 Pa"


def _chip(example: str) -> Any:
    return optional_text(example, "Name of the chip as printed on it; absent: not fitted")


def _address(example: int) -> Any:
    text = "Address on the bus as in the datasheet (7 bits); absent: the default address of the chip"
    return optional_number(Hex(example), Hex(0x08), Hex(0x77), text)


def _rate(example: str) -> Any:
    text = "Readings per second; absent: the default of the chip"
    return optional(example, "0.1 Hz", "200 Hz", text)


def _expected(fitting: Collection[str]) -> str:
    return f"expected {'one of ' if len(fitting) > 1 else ''}{', '.join(fitting)}"


def _chip_hint(written: str, fitting: Collection[str]) -> str:
    """A suggestion for a chip that does not fit into this section."""
    near = nearest(written, fitting)
    if near:
        return f'; did you mean "{near}"?'
    elsewhere = nearest(written, CHIPS)
    if elsewhere is None:
        return ""
    gives = CHIPS[elsewhere].channels
    places = [section for section, channel in _CHANNELS.items() if channel in gives]
    return f"; {elsewhere} belongs in {' or '.join(f'[sensors.{place}]' for place in places)}"


MOST_POSITION_ERROR = 0.2
"""Largest position error of a static port, as a fraction of the impact pressure; calibrations use it too."""

_CHANNELS = {"baro": "baro", "pitot": "pitot", "imu": "imu_gyro", "oat": "oat", "supply": "supply"}
"""The channel that the chip of each section must measure."""


class BusSensor(Section):
    """A chip on the I²C bus."""

    GIVES: ClassVar[str]
    """The channel that a chip of this section must measure."""

    chip: str | None = _chip("MS5611")
    address: int | None = _address(0x77)
    bus: int = number(1, 0, 9, "Bus number, N of /dev/i2c-N")
    rate_hz: float | None = _rate("50 Hz")

    def broken_rules(self) -> Iterator[Broken]:
        """The chip must be known, of the right kind, and have a valid address and rate."""
        if self.chip is None:
            for name, value in (("address", self.address), ("rate", self.rate_hz)):
                if value is not None:
                    yield Broken((name,), f"no chip is set in this section; {_expected(self._fitting())}")
            return
        spec, who = CHIPS.get(self.chip), "this chip"
        if spec is None or self.GIVES not in spec.channels:
            fitting = self._fitting()
            yield Broken(("chip",), _expected(fitting) + _chip_hint(self.chip, fitting))
            near = nearest(self.chip, fitting)
            if near is None:
                return
            spec, who = CHIPS[near], near
        if self.address is not None and self.address not in spec.addresses:
            possible = " or ".join(f"0x{address:02X}" for address in spec.addresses)
            yield Broken(("chip", "address"), f"{who} can have {possible}")
        if self.rate_hz is not None and self.rate_hz > spec.max_rate_hz:
            yield Broken(("chip", "rate"), f"{who} can do up to {spec.max_rate_hz:g} Hz")

    def _fitting(self) -> list[str]:
        return [name for name, spec in CHIPS.items() if self.GIVES in spec.channels]


def _noise(usual: str) -> Any:
    text = f"White noise of one sample; absent: the value in the recording, otherwise {usual}"
    return optional(usual, *NOISE_RANGE, text)


class BaroSensor(BusSensor):
    """The static pressure sensor."""

    GIVES = _CHANNELS["baro"]

    noise_pa: float | None = _noise("1.5 Pa")
    offset_pa: float = quantity(
        "0 Pa",
        "-1000 Pa",
        "1000 Pa",
        "Offset of the sensor: positive if it reads too high. It is subtracted",
    )
    location: Literal["inside", "outside"] = choice(
        "inside",
        "outside: the sensor is in the outside air and in the shade, so its temperature is the air "
        "temperature",
    )
    position_error: float = number(
        0.0,
        -MOST_POSITION_ERROR,
        MOST_POSITION_ERROR,
        "Position error of the static port as a fraction of the impact pressure: positive if the pressure"
        " reads too high in flight. It is subtracted. It also corrects total energy: 0.05 more gives "
        "speed 5 % more weight, for a vario that shows lift in a pull-up",
    )
    latency_s: float = quantity("0 s", "0 s", "0.5 s", "Age of a reading at its time stamp")


class PitotSensor(BusSensor):
    """The differential pressure sensor of the airspeed."""

    GIVES = _CHANNELS["pitot"]

    chip: str | None = _chip("MS4525DO")
    address: int | None = _address(0x28)
    noise_pa: float | None = _noise("1 Pa")
    offset_pa: float = quantity("0 Pa", *PITOT_OFFSET_RANGE, "Reading at rest in still air. It is subtracted")
    position_error: float = number(
        0.0,
        -MOST_POSITION_ERROR,
        MOST_POSITION_ERROR,
        "Position error of its static port as a fraction of the impact pressure: positive if the static "
        "pressure reads too high in flight, so that the impact pressure reads too low. If it shares the "
        "static line of the barometer, use the same value",
    )
    lag_s: float = quantity("0 s", "0 s", "0.5 s", "Time constant of the tubing")


def _accel_bias(axis: str) -> Any:
    return quantity("0 m/s2", "-3 m/s2", "3 m/s2", f"Bias of the {axis} axis. It is subtracted")


def _gyro_bias(axis: str) -> Any:
    text = f"Bias of the {axis} axis at rest. It is subtracted"
    return quantity("0 deg/s", "-15 deg/s", "15 deg/s", text)


def _scale(axis: str) -> Any:
    return number(1.0, 0.8, 1.2, f"Scale factor of the {axis} axis, applied after the bias")


class ImuSensor(BusSensor):
    """The inertial sensor: chip, mounting in the glider, and errors along its own axes."""

    GIVES = _CHANNELS["imu"]

    chip: str | None = _chip("LSM6DSO")
    address: int | None = _address(0x6A)
    rate_hz: float | None = _rate("100 Hz")
    mount_roll_rad: float = quantity(
        "0 deg", "-180 deg", "180 deg", "Roll of the sensor relative to the fuselage"
    )
    mount_pitch_rad: float = quantity(
        "0 deg", "-90 deg", "90 deg", "Pitch of the sensor relative to the fuselage"
    )
    mount_yaw_rad: float = quantity(
        "0 deg", "-180 deg", "180 deg", "Yaw of the sensor relative to the fuselage"
    )
    accel_bias_x_mps2: float = _accel_bias("x")
    accel_bias_y_mps2: float = _accel_bias("y")
    accel_bias_z_mps2: float = _accel_bias("z")
    accel_scale_x: float = _scale("x")
    accel_scale_y: float = _scale("y")
    accel_scale_z: float = _scale("z")
    gyro_bias_x_radps: float = _gyro_bias("x")
    gyro_bias_y_radps: float = _gyro_bias("y")
    gyro_bias_z_radps: float = _gyro_bias("z")
    gyro_scale_x: float = _scale("x")
    gyro_scale_y: float = _scale("y")
    gyro_scale_z: float = _scale("z")
    forward_m: float = quantity(
        "0 m", "-5 m", "5 m", "Position of the sensor forward of the centre of gravity"
    )
    right_m: float = quantity(
        "0 m", "-2 m", "2 m", "Position of the sensor to the right of the centre of gravity"
    )
    below_m: float = quantity("0 m", "-2 m", "2 m", "Position of the sensor below the centre of gravity")


class OatSensor(BusSensor):
    """The sensor of the outside air temperature. It must be outside and in the shade."""

    GIVES = _CHANNELS["oat"]

    chip: str | None = _chip("TMP117")
    address: int | None = _address(0x48)
    rate_hz: float | None = _rate("1 Hz")


class SupplySensor(BusSensor):
    """The sensor of the supply voltage."""

    GIVES = _CHANNELS["supply"]

    chip: str | None = _chip("INA219")
    address: int | None = _address(0x40)
    rate_hz: float | None = _rate("1 Hz")
    low_voltage_v: float | None = optional(
        "11.5 V",
        "3 V",
        "30 V",
        "The battery warning sounds after ten seconds below this voltage; absent: never",
    )


class Sensors(Section):
    """All sensors."""

    baro: BaroSensor = section()
    pitot: PitotSensor = section()
    imu: ImuSensor = section()
    oat: OatSensor = section()
    supply: SupplySensor = section()

    def broken_rules(self) -> Iterator[Broken]:
        """There must be only one sensor of the air temperature."""
        if self.baro.location == "outside" and self.oat.chip is not None:
            text = "both would measure the air temperature; expected one of them"
            yield Broken(("baro.location", "oat.chip"), text)

    @property
    def on_buses(self) -> tuple[BusSensor, ...]:
        """The sensors with a chip, the fastest first."""
        every = (self.imu, self.baro, self.pitot, self.oat, self.supply)
        return tuple(sensor for sensor in every if sensor.chip is not None)


class Gnss(Section):
    """The GNSS receiver on a serial line."""

    port: str | None = optional_text("/dev/serial0", "Device file; absent: not fitted")
    baud: int | None = optional_number(9600, 4800, 921600, "Baud rate; absent: detected automatically")


class RecorderSettings(Section):
    """The recording of `vario run`: all readings, so that the flight can be replayed."""

    folder: str | None = optional_text(
        "/var/lib/vario", "Folder for the recordings, relative to this file; absent: nothing is recorded"
    )
    sync_interval_s: float = quantity(
        "1 s",
        "0 s",
        "10 min",
        "Interval between flushes to the card; a power failure loses about this much data. 0 s: no "
        "flushes, the operating system decides, and a failure may lose a minute",
    )

    def broken_rules(self) -> Iterator[Broken]:
        """The folder must be complete: a service has no home folder for "~"."""
        if self.folder is not None and self.folder.startswith("~"):
            yield Broken(("folder",), 'expected a path without "~": relative to this file, or from "/"')


class Audio(Section):
    """The sound device."""

    output: Literal["tone", "cues", "off"] = choice(
        "tone",
        "tone: tone and cues; cues: only the cues and spoken values, for an instrument whose tone comes from "
        "another device (needs the extra audio and Python below 3.12); off: no sound and no warnings",
    )
    device: str | None = optional_text(
        "USB", "Device name or a part of it; absent: the default device of the system"
    )

    def broken_rules(self) -> Iterator[Broken]:
        """Playing only cues does not allow a choice of the device."""
        if self.output == "cues" and self.device is not None:
            text = "cues play on the default device of the system; leave device out"
            yield Broken(("output", "device"), text)
