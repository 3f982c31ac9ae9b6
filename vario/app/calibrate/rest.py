"""Calibrations at rest: zero of the pitot sensor, bias of the gyro, offset of the barometer."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from drivers.isa import altitude_m, metres_per_pascal, pressure_pa
from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import collect, must_rest, needed
from vario.app.errors import AppError

LEAST_S = 10.0

PITOT_STILL_PA = 3.0
PITOT_ZERO_MOST_PA = 200.0
GYRO_STILL_RADPS = math.radians(0.5)
GYRO_MOST_RADPS = math.radians(15.0)
BARO_STILL_PA = 12.0
BARO_MOST_PA = 1000.0


def pitot_offset(samples: Iterable[Sample]) -> Outcome:
    """Measure the reading of the pitot sensor without wind: the pitot covered, the glider in a hangar.

    Raises:
        AppError: if the reading is not steady, or is too large for a zero error.
    """
    pitot = needed(collect(samples, "pitot"), "pitot", LEAST_S)
    must_rest(pitot, PITOT_STILL_PA, "Cover the pitot, close doors, wait until the sensor is warm")
    zero, spread = float(pitot.mean[0]), float(pitot.noise[0])
    if abs(zero) > PITOT_ZERO_MOST_PA:
        raise AppError(
            f"pitot: {zero:+.0f} Pa at rest is too large for a zero error; expected "
            f"{PITOT_ZERO_MOST_PA:g} Pa or less: a tube is blocked, or the chip is wrong"
        )
    error = _error_of_mean(spread, len(pitot.t_s))
    return Outcome(
        "pitot-offset",
        [f"The pitot sensor reads {zero:+.2f} Pa (±{error:.2f}) without wind."],
        {"sensors.pitot": {"offset": f"{zero:.2f} Pa"}},
        {"pitot": {"zero_pa": zero, "zero_error_pa": error, "noise_pa": spread}},
        [
            "Remove the cover of the pitot, then blow across the pitot (not into it): the airspeed must "
            "change.",
            "The zero depends on temperature: repeat the calibration when the cockpit is much warmer or "
            "colder.",
        ],
    )


def gyro_bias(samples: Iterable[Sample]) -> Outcome:
    """Measure the reading of the gyro at rest.

    Raises:
        AppError: if the gyro is not at rest, or its reading is too large for a bias.
    """
    gyro = needed(collect(samples, "imu_gyro"), "imu_gyro", LEAST_S)
    must_rest(gyro, GYRO_STILL_RADPS, "Keep the glider still, nobody in it")
    bias = gyro.mean
    if float(np.max(np.abs(bias))) > GYRO_MOST_RADPS:
        raise AppError(
            f"imu_gyro: {np.degrees(bias).round(1)} deg/s at rest is too large for a bias; expected "
            f"{math.degrees(GYRO_MOST_RADPS):g} deg/s or less: the gyro is turning, or it is broken"
        )
    degrees = np.degrees(bias)
    shown = ", ".join(f"{axis} {value:+.3f}" for axis, value in zip("xyz", degrees, strict=True))
    return Outcome(
        "gyro-bias",
        [f"The gyro reads {shown} deg/s at rest."],
        {
            "sensors.imu": {
                f"gyro_bias_{axis}": f"{value:.4f} deg/s" for axis, value in zip("xyz", degrees, strict=True)
            }
        },
        {
            "gyro": {
                **{f"bias_{axis}_radps": float(value) for axis, value in zip("xyz", bias, strict=True)},
                "noise_radps": float(np.max(gyro.noise)),
            }
        },
    )


def barometer_offset(samples: Iterable[Sample], elevation_m: float, qnh_pa: float) -> Outcome:
    """Find the offset of the barometer on a field of known elevation with known QNH.

    QNH is the altimeter setting with which an altimeter on the field shows the elevation. The pressure
    altitudes of QNH and of the pressure on the field differ by the elevation (ICAO Doc 7488, standard
    atmosphere; Doc 8168, altimeter setting).

    Args:
        samples: of a recording at rest.
        elevation_m: of the barometer, above mean sea level.
        qnh_pa: the altimeter setting.

    Raises:
        AppError: if the pressure is not steady, or the difference is too large for an offset.
    """
    baro = needed(collect(samples, "baro"), "baro", LEAST_S)
    must_rest(baro, BARO_STILL_PA, "Do not move the barometer, the doors or the canopy")
    reading = float(baro.mean[0])
    expected = pressure_pa(elevation_m + altitude_m(qnh_pa))
    offset = reading - expected
    if abs(offset) > BARO_MOST_PA:
        raise AppError(
            f"baro: reads {reading / 100:.1f} hPa, expected {expected / 100:.1f} hPa at {elevation_m:g} m: "
            f"the difference is too large for an offset ({BARO_MOST_PA / 100:g} hPa or less); check "
            "elevation and QNH (QNH is not QFE)"
        )
    metres = offset * metres_per_pascal(expected)
    return Outcome(
        "barometer",
        [f"The offset of the barometer is {offset:+.1f} Pa, which is {-metres:+.1f} m of height."],
        {"sensors.baro": {"offset": f"{offset:.1f} Pa"}},
        {"baro": {"offset_pa": offset, "reading_pa": reading, "expected_pa": expected, "qnh_pa": qnh_pa}},
        ["A QNH in whole hPa is uncertain by 0.5 hPa, which is 4 m of height. The vario is not affected."],
    )


def _error_of_mean(noise: float, count: int) -> float:
    return noise / math.sqrt(max(count, 1))
