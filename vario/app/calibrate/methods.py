"""The methods of calibration, from the arguments of the command to the outcome."""

from __future__ import annotations

import math
from argparse import Namespace
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from types import MappingProxyType
from typing import Any

from drivers.samples import Sample
from hw_replay.open import open_source
from vario.app.calibrate.glides import fit_polar
from vario.app.calibrate.leak import static_leak
from vario.app.calibrate.legs import position_error
from vario.app.calibrate.level import corrected, from_ground_run, from_two_poses
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.positions import six_positions
from vario.app.calibrate.pull_up import energy_check
from vario.app.calibrate.rest import barometer_offset, gyro_bias, pitot_offset
from vario.app.calibrate.series import corrected_pressures
from vario.app.calibrate.turns import LEAST_STEP_RAD, gyro_scale
from vario.app.errors import AppError
from vario.app.excerpt import time_s
from vario.settings.errors import QuantityError
from vario.settings.load import LoadedSettings
from vario.settings.quantity import ANGLE, LENGTH, PRESSURE, parse


class Case:
    """The input of a calibration: the arguments, the samples and the settings in force."""

    def __init__(
        self,
        arguments: Namespace,
        samples: Iterable[Sample],
        loaded: LoadedSettings,
        start_utc: datetime | None,
    ) -> None:
        self.arguments = arguments
        self.start_utc = start_utc
        self.samples = samples
        self.settings = loaded.settings
        self.glider = loaded.glider

    @property
    def corrected(self) -> Iterable[Sample]:
        """The samples, with pressures corrected by the settings."""
        return corrected_pressures(self.samples, self.settings.sensors)

    @property
    def windows(self) -> list[tuple[float, float]]:
        """Start and end times from the command line, s."""
        times = [
            [time_s(self.arguments.windows_option, text, self.start_utc) for text in pair]
            for pair in self.arguments.windows
        ]
        return [(begin_s, end_s) for begin_s, end_s in times]


def _pitot_zero(case: Case) -> Outcome:
    return pitot_offset(case.samples)


def _gyro_bias(case: Case) -> Outcome:
    return gyro_bias(case.samples)


def _barometer(case: Case) -> Outcome:
    elevation_m = _quantity("--elevation", case.arguments.elevation, LENGTH)
    return barometer_offset(case.samples, elevation_m, _quantity("--qnh", case.arguments.qnh, PRESSURE))


def _quantity(name: str, text: str, dimension: Any) -> float:
    try:
        return parse(text, dimension)
    except QuantityError as error:
        raise AppError(f'{name} "{text}": {error}') from error


def _level(case: Case) -> Outcome:
    imu = case.settings.sensors.imu
    if case.arguments.ground_run == (case.arguments.tail_up is not None):
        raise AppError("level: give either --tail-up FILE or --ground-run")
    if case.arguments.ground_run:
        return from_ground_run(corrected(case.samples, imu))
    tail_up = open_source(case.arguments.tail_up)
    return from_two_poses(corrected(case.samples, imu), corrected(tail_up, imu))


def _six_positions(case: Case) -> Outcome:
    return six_positions(case.samples)


def _gyro_scale(case: Case) -> Outcome:
    step_rad = _quantity("--step", case.arguments.step, ANGLE)
    if not LEAST_STEP_RAD <= step_rad <= math.tau:
        raise AppError(f'--step "{case.arguments.step}": expected 30 deg to 360 deg')
    return gyro_scale(case.samples, step_rad)


def _leak(case: Case) -> Outcome:
    return static_leak(case.samples)


def _airspeed(case: Case) -> Outcome:
    return position_error(case.corrected, case.settings.sensors.pitot.position_error, case.windows)


def _total_energy(case: Case) -> Outcome:
    return energy_check(case.corrected, case.settings.sensors.baro.position_error)


def _polar(case: Case) -> Outcome:
    ratio, flight = 1.0, case.settings.flight
    if case.glider is not None:
        reference_kg = case.glider.reference_mass_kg
        ratio = ((flight.mass_kg or reference_kg) + flight.ballast_kg) / reference_kg
    found = fit_polar(case.corrected, ratio, case.windows)
    if flight.mass_kg is None:
        assumed = "The flying mass is not set; it is assumed to be the reference mass"
    elif case.glider is None:
        assumed = "No glider file is set; the flying mass is assumed to be the reference mass"
    else:
        return found
    # Speed and sink increase with the square root of the mass: √1.2 = 1.095.
    assumed += ". A mass 20 % higher shifts speed and sink of the polar by 10 %."
    return replace(found, cautions=[assumed, *found.cautions])


FIND: Mapping[str, Callable[[Case], Outcome]] = MappingProxyType(
    {
        "pitot-offset": _pitot_zero,
        "gyro-bias": _gyro_bias,
        "barometer": _barometer,
        "level": _level,
        "six-position": _six_positions,
        "gyro-scale": _gyro_scale,
        "leak": _leak,
        "airspeed": _airspeed,
        "total-energy": _total_energy,
        "polar": _polar,
    }
)
"""The function of each method."""
