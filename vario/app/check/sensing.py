"""Check the sensors: rates against the settings, noise against the datasheets, values for plausibility."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

from drivers.errors import SensorError
from drivers.gnss import GnssStatus
from drivers.isa import G0_MPS2, altitude_m
from drivers.samples import CHANNEL_OF, CHANNELS, Sample
from vario.app.check.findings import Finding, failed, passed, warned
from vario.app.live.clock import Clock
from vario.app.live.faults import WatchedSensor
from vario.app.live.fitting import Fitted
from vario.app.live.scheduler import Scheduler
from vario.flight.inputs.calibration import accel_correction, gyro_correction
from vario.settings.schema import Settings

SETTLE_S = 1.0
"""Readings in this time after the start are not used."""

RATE_TOLERANCE = 0.1
NOISE_FACTOR = 3.0
"""On a bench, the noise of a module is up to this factor above its datasheet (common practice, no source)."""

PITOT_ZERO_PA = 60.0
"""A larger difference from the set zero is probably wind, or a fault of tubes or sensor: 60 Pa is an airspeed
of 36 km/h at rest (common practice, no source)."""

PITOT_OFF_PA = 8.0
"""After a larger difference from the set zero, it should be set again: 8 Pa is 13 km/h at rest."""

GRAVITY_TOLERANCE = 0.05
TURNING_RADPS = math.radians(10.0)
TILT_RAD = math.radians(40.0)
"""A sailplane at rest banks at most 15° with a wing on the ground, and pitches by about the same angle."""

LOWEST_M, HIGHEST_M = -600.0, 5000.0
"""Plausible pressure altitudes of an instrument on the ground."""

GNSS_OFF_M = 450.0
"""Largest difference of pressure altitude and true height due to weather: 50 hPa of pressure."""

LOW_V, HIGH_V = 10.8, 15.0
"""Voltage of a 12 V battery that is neither empty nor overcharged (common practice, no source)."""

POWER_CYCLE = "Switch its supply off and on again; check its wires"

Floats = NDArray[np.float64]


def listen(what: Fitted, clock: Clock, seconds: float) -> dict[str, Floats]:
    """Run the sensors; by channel their values after settling, shape (n, fields), without optional fields."""
    scheduler = Scheduler(what.sensors, clock)
    begin_s = clock.now_s()
    rows: defaultdict[str, list[list[float]]] = defaultdict(list)
    scheduler.start()
    while clock.now_s() < begin_s + SETTLE_S + seconds:
        for sample in scheduler.step(clock.now_s() + 0.1):
            if clock.now_s() >= begin_s + SETTLE_S:
                rows[CHANNEL_OF[type(sample)]].append(_row(sample))
    return {channel: np.array(values) for channel, values in rows.items()}


def _row(sample: Sample) -> list[float]:
    channel = CHANNELS[CHANNEL_OF[type(sample)]]
    return [getattr(sample, name) for name in channel.value_fields if name not in channel.optional]


def check_sensors(
    settings: Settings, what: Fitted, heard: dict[str, Floats], seconds: float
) -> list[Finding]:
    """Check every sensor separately, then the plausibility of the values."""
    findings: list[Finding] = []
    for sensor in what.sensors:
        if what.receiver is not None and sensor.sensor is what.receiver:
            findings.append(_receiver(sensor, what.receiver.status))
        else:
            findings += _sensor(sensor, heard, seconds)
    return findings + check_plausible(settings, heard)


def _sensor(sensor: WatchedSensor, heard: dict[str, Floats], seconds: float) -> list[Finding]:
    identity = sensor.sensor.identity
    counts = [len(heard.get(channel, ())) for channel in identity.channels]
    if not min(counts):
        error = sensor.last_error or SensorError("no readings", "Run the check again")
        return [failed(sensor.name, error.problem, error.advice or POWER_CYCLE)]
    rate_hz = min(counts) / seconds
    findings = [_rate(sensor, rate_hz)]
    for channel, promised in identity.noise.items():
        if len(heard[channel]) >= 50:
            findings.append(_noise(sensor.name, channel, heard[channel], promised))
    return findings


def _rate(sensor: WatchedSensor, rate_hz: float) -> Finding:
    asked = sensor.sensor.identity.rate_hz
    lost = sum(sensor.faults.values())
    found = f"{rate_hz:.1f} readings per second" + (f", {lost} faults" if lost else "")
    error = sensor.last_error
    if abs(rate_hz - asked) > max(RATE_TOLERANCE * asked, 0.5):
        slow = "Set a lower rate, or raise the speed of the bus to 400 kHz"
        step = (error.advice or POWER_CYCLE) if error else slow
        return failed(sensor.name, f"{found}, expected {asked:g}", step)
    if error is not None and lost > 2:
        return warned(sensor.name, f"{found}; the last fault: {error.problem}", error.advice or POWER_CYCLE)
    return passed(sensor.name, found)


def _noise(name: str, channel: str, values: Floats, promised: float) -> Finding:
    """Check the noise, from differences of consecutive values: slow drift with temperature is excluded."""
    sigma = float(np.max(np.std(np.diff(values, axis=0), axis=0)) / math.sqrt(2.0))
    subject = f"{name}: noise of {channel}"
    found = f"{sigma:.3g}, the datasheet states {promised:.3g}"
    if sigma == 0.0:
        return failed(subject, "no noise at all", "The chip is frozen: switch its supply off and on again")
    if sigma > NOISE_FACTOR * promised:
        step = (
            "Keep the sensor still and out of wind and run again; otherwise the supply is noisy, or the chip "
            "is damaged"
        )
        return warned(subject, found, step)
    return passed(subject, found)


def _receiver(sensor: WatchedSensor, status: GnssStatus) -> Finding:
    if not status.sentences:
        error = sensor.last_error or SensorError("no sentence yet", "Run the check for longer (--seconds 30)")
        return failed(sensor.name, error.problem, error.advice)
    found = f"{status.sentences} sentences at {status.baud} baud"
    if status.garbled:
        return warned(
            sensor.name, f"{found}, {status.garbled} garbled", "Look for a loose wire or a missing ground"
        )
    if not status.has_fix:
        return warned(sensor.name, f"{found}, no fix", "Place the antenna under open sky for some minutes")
    return passed(sensor.name, f"{found}, fix with {status.satellites} satellites, HDOP {status.hdop}")


def check_plausible(settings: Settings, heard: dict[str, Floats]) -> list[Finding]:
    """Check that the values are plausible for an instrument at rest on the ground."""
    findings: list[Finding] = []
    mean = {channel: np.mean(values, axis=0) for channel, values in heard.items()}
    if "baro" in mean:
        gnss_m = float(np.median(heard["gnss_pos"][:, 2])) if "gnss_pos" in heard else None
        findings.append(_static(float(mean["baro"][0]) - settings.sensors.baro.offset_pa, gnss_m))
    if "pitot" in mean:
        findings.append(_pitot(float(mean["pitot"][0]), settings.sensors.pitot.offset_pa))
    if "imu_accel" in mean:
        findings.append(_gravity(accel_correction(settings.sensors.imu).apply(*mean["imu_accel"].tolist())))
    if "imu_gyro" in mean:
        rates = gyro_correction(settings.sensors.imu).apply(*mean["imu_gyro"].tolist())
        findings.append(_turning(max(map(abs, rates))))
    if "supply" in mean:
        findings.append(_supply(float(np.min(heard["supply"]))))
    return findings


def _static(static_pa: float, gnss_m: float | None) -> Finding:
    height_m = altitude_m(static_pa)
    found = f"{static_pa / 100:.1f} hPa, {height_m:.0f} m in the standard atmosphere"
    if not LOWEST_M <= height_m <= HIGHEST_M:
        step = f"Expected {LOWEST_M:g} m to {HIGHEST_M:g} m: the chip is not the one set, or it is broken"
        return failed("static pressure", found, step)
    if gnss_m is not None and abs(height_m - gnss_m) > GNSS_OFF_M:
        step = "The static line is blocked, the sensor is broken, or the fix is poor: wait and compare again"
        return warned("static pressure", f"{found}; GNSS says {gnss_m:.0f} m", step)
    return passed("static pressure", found)


def _pitot(reading_pa: float, offset_pa: float) -> Finding:
    found = f"{reading_pa:+.1f} Pa at rest, offset set to {offset_pa:+.1f} Pa"
    off_pa = abs(reading_pa - offset_pa)
    calibrate = "vario calibrate pitot-offset"
    if off_pa > PITOT_ZERO_PA:
        step = "Wind in the pitot, or tubes swapped, blocked or wet: cover the pitot and run the check again"
        return failed("pitot", found, f"{step}; if nothing of this is the cause, run {calibrate}")
    if off_pa > PITOT_OFF_PA:
        return warned("pitot", found, f"Cover the pitot and run {calibrate}")
    return passed("pitot", found)


def _gravity(force_mps2: tuple[float, float, float]) -> Finding:
    """Check the specific force in body axes, as calibrated."""
    x, y, z = force_mps2
    size = math.hypot(x, y, z)
    found = f"{size:.2f} m/s² at rest"
    if abs(size - G0_MPS2) > GRAVITY_TOLERANCE * G0_MPS2:
        return warned(
            "accelerometer", f"{found}, gravity is {G0_MPS2:.2f}", "Run vario calibrate six-position"
        )
    tilt_rad = math.atan2(math.hypot(x, y), -z)
    if tilt_rad > TILT_RAD:
        found += f"; with the mounting set, the fuselage is tilted by {math.degrees(tilt_rad):.0f}°"
        return warned("accelerometer", found, "Level the glider and run vario calibrate level")
    return passed("accelerometer", f"{found}, tilted by {math.degrees(tilt_rad):.0f}°")


def _turning(rate_radps: float) -> Finding:
    found = f"at most {math.degrees(rate_radps):.2f} deg/s at rest"
    if rate_radps > TURNING_RADPS:
        return failed("gyro", found, "Keep the glider still and run again; otherwise the chip is broken")
    return passed("gyro", found)


def _supply(lowest_v: float) -> Finding:
    found = f"{lowest_v:.2f} V at the lowest"
    if not LOW_V <= lowest_v <= HIGH_V:
        return warned(
            "supply", found, f"Expected {LOW_V:g} to {HIGH_V:g} V of a 12 V battery: charge or check it"
        )
    return passed("supply", found)
