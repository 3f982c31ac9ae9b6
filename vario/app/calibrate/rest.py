"""At rest: zero of the pitot sensor, bias of the gyro, offset of the barometer."""

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


def pitot_zero(samples: Iterable[Sample]) -> Outcome:
    """The reading of the pitot sensor without any wind: the pitot covered, the glider in a hangar.

    Raises:
        AppError: if it is not still.
    """
    pitot = needed(collect(samples, "pitot"), "pitot", LEAST_S)
    must_rest(pitot, PITOT_STILL_PA, "Cover the pitot, close doors, wait until the sensor is warm")
    zero, spread = float(pitot.mean[0]), float(pitot.noise[0])
    if abs(zero) > PITOT_ZERO_MOST_PA:
        raise AppError(f"pitot: {zero:+.0f} Pa at rest is no zero error: tubes blocked, or a wrong chip")
    error = _error_of_mean(spread, len(pitot.t_s))
    return Outcome(
        "pitot-zero",
        [f"The pitot sensor reads {zero:+.2f} Pa (±{error:.2f}) without wind."],
        {"sensors.pitot": {"zero": f"{zero:.2f} Pa"}},
        {"pitot": {"zero_pa": zero, "zero_error_pa": error, "noise_pa": spread}},
        [
            "Take the cover off the pitot again, and blow across it (not into it): the airspeed must move.",
            "It moves with temperature: do it again when the cockpit is much warmer or colder.",
        ],
    )


def gyro_bias(samples: Iterable[Sample]) -> Outcome:
    """What the gyro reads at rest.

    Raises:
        AppError: if it is not still.
    """
    gyro = needed(collect(samples, "imu_gyro"), "imu_gyro", LEAST_S)
    must_rest(gyro, GYRO_STILL_RADPS, "Keep the glider still, nobody in it")
    bias = gyro.mean
    if float(np.max(np.abs(bias))) > GYRO_MOST_RADPS:
        raise AppError(
            f"imu_gyro: {np.degrees(bias).round(1)} deg/s at rest is no bias: it turns, or is broken"
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
    """What the barometer reads too high, on a field of known elevation with known QNH.

    QNH is the setting with which an altimeter shows the elevation: the pressure heights of QNH and of the
    pressure on the field differ by the elevation (ICAO Doc 7488, standard atmosphere; Doc 8168, altimeter
    setting).

    Raises:
        AppError: if it is not still, or the offset is too large to be one.
    """
    baro = needed(collect(samples, "baro"), "baro", LEAST_S)
    must_rest(baro, BARO_STILL_PA, "Keep it where it is, doors and canopy as they are")
    reading = float(baro.mean[0])
    expected = pressure_pa(elevation_m + altitude_m(qnh_pa))
    offset = reading - expected
    if abs(offset) > BARO_MOST_PA:
        raise AppError(
            f"baro: reads {reading / 100:.1f} hPa, expected {expected / 100:.1f} hPa at {elevation_m:g} m: "
            "too much for an offset; check elevation and QNH (its pressure, not QFE)"
        )
    metres = offset * metres_per_pascal(expected)
    return Outcome(
        "barometer",
        [f"The barometer reads {offset:+.1f} Pa too high, which is {-metres:+.1f} m of height."],
        {"sensors.baro": {"offset": f"{offset:.1f} Pa"}},
        {"baro": {"offset_pa": offset, "reading_pa": reading, "expected_pa": expected, "qnh_pa": qnh_pa}},
        ["A QNH in whole hPa leaves half a hPa open: 4 m of height. The vario is not affected."],
    )


def _error_of_mean(noise: float, count: int) -> float:
    return noise / math.sqrt(max(count, 1))
