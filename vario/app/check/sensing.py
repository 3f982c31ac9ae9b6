"""What the sensors give: rates and noise against what was asked and promised, values against sense."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.errors import SensorError
from drivers.gnss import GnssStatus
from drivers.isa import G0_MPS2, altitude_m
from drivers.samples import CHANNEL_OF, CHANNELS, Sample
from vario.app.check.findings import Finding, failed, look, passed
from vario.app.live.clock import Clock
from vario.app.live.faults import WatchedSensor
from vario.app.live.fitting import Fitted
from vario.app.live.scheduler import Scheduler
from vario.flight.core.rotation import b_from_s, rotate
from vario.settings.schema import Settings

SETTLE_S = 1.0
"""Set-up and first readings are not judged."""

RATE_TOLERANCE = 0.1
NOISE_FACTOR = 3.0
"""A module on a bench is up to this much noisier than its datasheet promises (common practice, no source)."""

PITOT_ZERO_PA = 60.0
"""No sensor in use has a larger zero error; at 60 Pa the airspeed at rest would read 36 km/h."""

PITOT_OFF_PA = 8.0
"""Beyond the zero that is set by this, it should be set again: 8 Pa are 13 km/h at rest."""

GRAVITY_TOLERANCE = 0.05
TURNING_RADPS = math.radians(10.0)
TILT_RAD = math.radians(40.0)
"""A sailplane at rest lies on a wing by 15° at most, and sits on its tail by about as much."""

LOWEST_M, HIGHEST_M = -600.0, 5000.0
"""Pressure altitudes at which somebody checks an instrument on the ground."""

GNSS_OFF_M = 450.0
"""Pressure altitude and true height differ by up to this with the weather: 50 hPa of pressure."""

LOW_V, HIGH_V = 10.8, 15.0
"""Of a 12 V battery that is neither empty nor overcharged (common practice, no source)."""

TAKE_AWAY = "Take its supply away and give it back; check its wires"

Floats = NDArray[np.float64]


@dataclass(slots=True)
class _Heard:
    """The values of one channel, one row a sample."""

    rows: list[list[float]] = field(default_factory=list)

    @property
    def values(self) -> Floats:
        return np.array(self.rows)


def listen(what: Fitted, clock: Clock, seconds: float) -> dict[str, Floats]:
    """Run the sensors; by channel what they gave once settled, shape (n, fields), without optional fields."""
    scheduler = Scheduler(what.sensors, clock)
    begin_s = clock.now_s()
    heard: dict[str, _Heard] = {}
    scheduler.start()
    while clock.now_s() < begin_s + SETTLE_S + seconds:
        for sample in scheduler.step(clock.now_s() + 0.1):
            if clock.now_s() >= begin_s + SETTLE_S:
                heard.setdefault(CHANNEL_OF[type(sample)], _Heard()).rows.append(_row(sample))
    return {channel: series.values for channel, series in heard.items()}


def _row(sample: Sample) -> list[float]:
    channel = CHANNELS[CHANNEL_OF[type(sample)]]
    return [getattr(sample, name) for name in channel.value_fields if name not in channel.optional]


def check_sensors(
    settings: Settings, what: Fitted, heard: dict[str, Floats], seconds: float
) -> list[Finding]:
    """Every sensor by itself, then what they say together."""
    findings: list[Finding] = []
    for sensor in what.sensors:
        if what.receiver is not None and sensor.sensor is what.receiver:
            findings.append(_receiver(sensor, what.receiver.status))
        else:
            findings += _sensor(sensor, heard, seconds)
    return findings + check_sense(settings, heard)


def _sensor(sensor: WatchedSensor, heard: dict[str, Floats], seconds: float) -> list[Finding]:
    identity = sensor.sensor.identity
    counts = [len(heard.get(channel, ())) for channel in identity.channels]
    if not min(counts):
        error = sensor.last_error or SensorError("gives no readings", "Run the check again")
        return [failed(sensor.name, error.problem, error.advice or TAKE_AWAY)]
    rate_hz = min(counts) / seconds
    findings = [_rate(sensor, rate_hz)]
    for channel, promised in identity.noise.items():
        if len(heard[channel]) >= 50:
            findings.append(_noise(sensor.name, channel, heard[channel], promised))
    return findings


def _rate(sensor: WatchedSensor, rate_hz: float) -> Finding:
    asked = sensor.sensor.identity.rate_hz
    lost = sum(sensor.faults.values())
    found = f"{rate_hz:.1f} readings a second" + (f", {lost} faults" if lost else "")
    error = sensor.last_error
    if abs(rate_hz - asked) > max(RATE_TOLERANCE * asked, 0.5):
        slow = "Set a lower rate, or raise the speed of the bus to 400 kHz"
        step = (error.advice or TAKE_AWAY) if error else slow
        return failed(sensor.name, f"{found}, asked for {asked:g}", step)
    if error is not None and lost > 2:
        return look(sensor.name, f"{found}; the last: {error.problem}", error.advice or TAKE_AWAY)
    return passed(sensor.name, found)


def _noise(name: str, channel: str, values: Floats, promised: float) -> Finding:
    """Differences of neighbours: a slow drift, of temperature or weather, is no noise."""
    sigma = float(np.max(np.std(np.diff(values, axis=0), axis=0)) / math.sqrt(2.0))
    subject = f"{name}: noise of {channel}"
    found = f"{sigma:.3g}, the datasheet says {promised:.3g}"
    if sigma == 0.0:
        return failed(subject, "none at all", "The chip hangs: take its supply away and give it back")
    if sigma > NOISE_FACTOR * promised:
        step = "Keep it still and out of wind and run again; else a noisy supply, or a damaged chip"
        return look(subject, found, step)
    return passed(subject, found)


def _receiver(sensor: WatchedSensor, status: GnssStatus) -> Finding:
    if not status.sentences:
        error = sensor.last_error or SensorError("no sentence yet", "Run the check for longer (--seconds 30)")
        return failed(sensor.name, error.problem, error.advice)
    found = f"{status.sentences} sentences at {status.baud} baud"
    if status.garbled:
        return look(sensor.name, f"{found}, {status.garbled} garbled", "A loose wire, or a ground missing")
    if not status.has_fix:
        return look(sensor.name, f"{found}, no fix", "Give it open sky for some minutes")
    return passed(sensor.name, f"{found}, fix with {status.satellites} satellites, HDOP {status.hdop}")


def check_sense(settings: Settings, heard: dict[str, Floats]) -> list[Finding]:
    """Whether the values can be those of an instrument at rest on the ground."""
    findings: list[Finding] = []
    mean = {channel: np.mean(values, axis=0) for channel, values in heard.items()}
    if "baro" in mean:
        gnss_m = float(np.median(heard["gnss_pos"][:, 2])) if "gnss_pos" in heard else None
        findings.append(_static(float(mean["baro"][0]) - settings.sensors.baro.offset_pa, gnss_m))
    if "pitot" in mean:
        findings.append(_pitot(float(mean["pitot"][0]), settings.sensors.pitot.zero_pa))
    if "imu_accel" in mean:
        findings.append(_gravity(settings, mean["imu_accel"]))
    if "imu_gyro" in mean:
        findings.append(_turning(float(np.max(np.abs(mean["imu_gyro"])))))
    if "supply" in mean:
        findings.append(_supply(float(np.min(heard["supply"]))))
    return findings


def _static(static_pa: float, gnss_m: float | None) -> Finding:
    height_m = altitude_m(static_pa)
    found = f"{static_pa / 100:.1f} hPa, {height_m:.0f} m in the standard atmosphere"
    if not LOWEST_M <= height_m <= HIGHEST_M:
        return failed("static pressure", found, "No ground is there: another chip than set, or a broken one")
    if gnss_m is not None and abs(height_m - gnss_m) > GNSS_OFF_M:
        step = "A blocked static line, a broken sensor, or a poor fix: wait and compare again"
        return look("static pressure", f"{found}; GNSS says {gnss_m:.0f} m", step)
    return passed("static pressure", found)


def _pitot(reading_pa: float, zero_pa: float) -> Finding:
    found = f"{reading_pa:+.1f} Pa at rest, zero set to {zero_pa:+.1f} Pa"
    if abs(reading_pa) > PITOT_ZERO_PA:
        step = "Wind in the pitot, tubes swapped or blocked, or water in them; cover the pitot and run again"
        return failed("pitot", found, step)
    if abs(reading_pa - zero_pa) > PITOT_OFF_PA:
        return look("pitot", found, "With the pitot covered: vario calibrate pitot-zero")
    return passed("pitot", found)


def _gravity(settings: Settings, force: Floats) -> Finding:
    size = float(np.linalg.norm(force))
    found = f"{size:.2f} m/s² at rest"
    if abs(size - G0_MPS2) > GRAVITY_TOLERANCE * G0_MPS2:
        return look("accelerometer", f"{found}, gravity is {G0_MPS2:.2f}", "vario calibrate six-position")
    imu = settings.sensors.imu
    mount = b_from_s(imu.mount_roll_rad, imu.mount_pitch_rad, imu.mount_yaw_rad)
    x, y, z = rotate(mount, (float(force[0]), float(force[1]), float(force[2])))
    tilt_rad = math.atan2(math.hypot(x, y), -z)
    if tilt_rad > TILT_RAD:
        found += f", and the fuselage would lie {math.degrees(tilt_rad):.0f}° off level"
        return look("accelerometer", found, "With the glider level: vario calibrate level")
    return passed("accelerometer", f"{found}, {math.degrees(tilt_rad):.0f}° off level")


def _turning(rate_radps: float) -> Finding:
    found = f"at most {math.degrees(rate_radps):.2f} deg/s at rest"
    if rate_radps > TURNING_RADPS:
        return failed("gyro", found, "Keep it still and run again; else a broken chip")
    return passed("gyro", found)


def _supply(lowest_v: float) -> Finding:
    found = f"{lowest_v:.2f} V at its lowest"
    if not LOW_V <= lowest_v <= HIGH_V:
        return look("supply", found, f"A 12 V battery gives {LOW_V:g} to {HIGH_V:g} V: charge it or look")
    return passed("supply", found)


def worst(findings: Sequence[Finding]) -> int:
    """The exit code for scripts: 0 if nothing failed, else 1."""
    return int(any(finding.verdict == "FAIL" for finding in findings))
