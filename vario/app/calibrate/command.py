"""The command line of `vario calibrate`."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vario.app.errors import AppError

if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace, _SubParsersAction

    from drivers.samples import Sample
    from hw_replay.source import RecordingInfo
    from vario.app.calibrate.outcome import Outcome
    from vario.settings.load import LoadedSettings
    from vario.settings.schema import Settings

LIVE = Path("live")
LIVE_S = 30.0


def add_parser(commands: _SubParsersAction[ArgumentParser]) -> None:
    """Register the command with all kinds of calibration."""
    parser = commands.add_parser("calibrate", help="find sensor errors, or the polar of the glider")
    ways = parser.add_subparsers(title="ways", required=True, metavar="WAY")
    _way(ways, "pitot-zero", "zero of the pitot sensor, with the pitot covered", _pitot_zero)
    _way(ways, "gyro-bias", "bias of the gyro, at rest", _gyro_bias)
    way = _way(
        ways, "barometer", "offset of the barometer, at rest on a field of known elevation", _barometer
    )
    way.add_argument("--elevation", required=True, help='elevation of the barometer, such as "420 m"')
    way.add_argument("--qnh", required=True, help='altimeter setting, such as "1018 hPa"')
    way = _way(
        ways, "level", "mounting angles of the inertial sensor: fuselage level, then a second pose", _level
    )
    way.add_argument(
        "--tail-up", type=Path, metavar="FILE", help="a recording with the tail lifted by 5° or more"
    )
    way.add_argument(
        "--ground-run",
        action="store_true",
        help="the recording FILE starts at rest and continues with the acceleration of a launch",
    )
    _way(
        ways,
        "six-position",
        "bias and scale of the accelerometer: the sensor on each of its six sides, 5 s each",
        _six_positions,
    )
    way = _way(
        ways,
        "gyro-scale",
        "scale of the gyro: the box turned by quarter turns on a table, on three of its sides",
        _gyro_scale,
    )
    way.add_argument(
        "--step",
        default="90 deg",
        help="the angle of every turn is a whole multiple of this step; default: 90 deg",
    )
    _way(ways, "leak", "leak test of the static line: suction to 300 m, close, wait one minute", _leak)
    way = _way(
        ways, "airspeed", "position error: straight runs on three or more headings, with GNSS", _airspeed
    )
    _windows(way, "--run")
    _way(
        ways, "total-energy", "total-energy compensation: pull-ups and push-overs in still air", _total_energy
    )
    way = _way(ways, "polar", "polar of the glider: steady glides at several speeds in still air", _polar)
    _windows(way, "--glide")


def _way(
    ways: _SubParsersAction[ArgumentParser], name: str, about: str, find: Callable[[_Case], Outcome]
) -> ArgumentParser:
    way = ways.add_parser(name, help=about)
    way.add_argument(
        "file",
        type=Path,
        help=f"a recording or a long CSV; with the word live, the sensors are read now for {LIVE_S:g} s",
    )
    way.add_argument(
        "--config",
        type=Path,
        help="settings file; default: the one in the recording; with live, vario.toml in this folder",
    )
    way.add_argument(
        "--out", type=Path, default=Path("calibration"), help="folder for the results; default: calibration"
    )
    way.add_argument(
        "--apply", type=Path, metavar="CONFIG", help="also write the result into this settings file"
    )
    way.set_defaults(command=calibrate_command, find=find, way=name)
    return way


def _windows(way: ArgumentParser, name: str) -> None:
    way.add_argument(
        name,
        dest="windows",
        type=float,
        nargs=2,
        action="append",
        default=[],
        metavar=("FROM", "TO"),
        help=f"start and end, s; repeat {name} for each interval; default: they are detected",
    )


class _Case:
    """The input of a calibration: the arguments, the samples and the settings in force."""

    def __init__(self, arguments: Namespace, samples: Iterable[Sample], loaded: LoadedSettings) -> None:
        self.arguments = arguments
        self.samples = samples
        self.settings = loaded.settings
        self.glider = loaded.glider

    @property
    def corrected(self) -> Iterable[Sample]:
        """The samples, with pressures corrected by the settings."""
        from vario.app.calibrate.series import corrected_pressures  # noqa: PLC0415

        return corrected_pressures(self.samples, self.settings.sensors)

    @property
    def windows(self) -> list[tuple[float, float]]:
        """Start and end times from the command line, s."""
        return [(begin_s, end_s) for begin_s, end_s in self.arguments.windows]


def calibrate_command(arguments: Namespace) -> int:
    """Calibrate, print the result and write the files; returns the exit code."""
    # Imported here and below because only this command needs them.
    from vario.app.calibrate.outcome import apply_outcome, write_outcome  # noqa: PLC0415
    from vario.app.terminal import labelled, terminal  # noqa: PLC0415
    from vario.app.tune.files import provenance  # noqa: PLC0415

    samples, info, loaded = _input(arguments)
    times = [sample.t_s for sample in samples]
    outcome = arguments.find(_Case(arguments, samples, loaded))
    console = terminal()
    for sentence in outcome.said:
        console.print(sentence, soft_wrap=True)
    for caution in outcome.cautions:
        console.print(labelled("caution", caution), soft_wrap=True)
    origin = provenance(arguments.file, info, max(times, default=0.0) - min(times, default=0.0))
    written, kept = write_outcome(outcome, origin, arguments.out)
    for path in written:
        console.print(f"written: {path}", soft_wrap=True)
    for path in kept:
        console.print(f"the former file is now {path}", soft_wrap=True)
    if arguments.apply is not None:
        console.print(apply_outcome(outcome, arguments.apply), soft_wrap=True)
    return 0


def _input(arguments: Namespace) -> tuple[list[Sample], RecordingInfo, LoadedSettings]:
    """The samples, the origin of the recording, and the settings that apply to it."""
    from hw_replay.open import open_source  # noqa: PLC0415
    from vario.app.in_force import settings_in_force  # noqa: PLC0415
    from vario.settings.load import load_settings  # noqa: PLC0415

    if arguments.file == LIVE:
        loaded = load_settings(arguments.config or Path("vario.toml"))
        return (*measured(loaded.settings), loaded)
    source = open_source(arguments.file)
    return list(source), source.info, settings_in_force(source.info, arguments.file, arguments.config)


def measured(settings: Settings) -> tuple[list[Sample], RecordingInfo]:
    """Read the sensors of the settings for `LIVE_S` from now on.

    Raises:
        AppError: if a sensor cannot be used.
    """
    from datetime import UTC, datetime  # noqa: PLC0415

    from hw_replay.source import RecordingInfo  # noqa: PLC0415
    from vario.app.live.clock import MonotonicClock  # noqa: PLC0415
    from vario.app.live.fitting import Buses, described, fitted  # noqa: PLC0415
    from vario.app.live.scheduler import Scheduler  # noqa: PLC0415

    clock, buses = MonotonicClock(), Buses()
    try:
        what = fitted(settings, buses)
        scheduler = Scheduler(what.sensors, clock)
        end_s = clock.now_s() + LIVE_S
        scheduler.start()
        samples: list[Sample] = []
        while clock.now_s() < end_s:
            samples += scheduler.step(end_s)
    finally:
        buses.close()
    return samples, RecordingInfo("measured live", "live", datetime.now(UTC), described(what.sensors))


def _pitot_zero(case: _Case) -> Outcome:
    from vario.app.calibrate.rest import pitot_zero  # noqa: PLC0415

    return pitot_zero(case.samples)


def _gyro_bias(case: _Case) -> Outcome:
    from vario.app.calibrate.rest import gyro_bias  # noqa: PLC0415

    return gyro_bias(case.samples)


def _barometer(case: _Case) -> Outcome:
    from vario.app.calibrate.rest import barometer_offset  # noqa: PLC0415
    from vario.settings.quantity import LENGTH, PRESSURE  # noqa: PLC0415

    elevation_m = _quantity("--elevation", case.arguments.elevation, LENGTH)
    return barometer_offset(case.samples, elevation_m, _quantity("--qnh", case.arguments.qnh, PRESSURE))


def _quantity(name: str, text: str, dimension: Any) -> float:
    from vario.settings.errors import QuantityError  # noqa: PLC0415
    from vario.settings.quantity import parse  # noqa: PLC0415

    try:
        return parse(text, dimension)
    except QuantityError as error:
        raise AppError(f'{name} "{text}": {error}') from error


def _level(case: _Case) -> Outcome:
    from hw_replay.open import open_source  # noqa: PLC0415
    from vario.app.calibrate.level import corrected, from_ground_run, from_two_poses  # noqa: PLC0415

    imu = case.settings.sensors.imu
    if case.arguments.ground_run == (case.arguments.tail_up is not None):
        raise AppError("level: give either --tail-up FILE or --ground-run")
    if case.arguments.ground_run:
        return from_ground_run(corrected(case.samples, imu))
    tail_up = open_source(case.arguments.tail_up)
    return from_two_poses(corrected(case.samples, imu), corrected(tail_up, imu))


def _six_positions(case: _Case) -> Outcome:
    from vario.app.calibrate.positions import six_positions  # noqa: PLC0415

    return six_positions(case.samples)


def _gyro_scale(case: _Case) -> Outcome:
    from vario.app.calibrate.turns import LEAST_STEP_RAD, gyro_scale  # noqa: PLC0415
    from vario.settings.quantity import ANGLE  # noqa: PLC0415

    step_rad = _quantity("--step", case.arguments.step, ANGLE)
    if not LEAST_STEP_RAD <= step_rad <= math.tau:
        raise AppError(f'--step "{case.arguments.step}": expected 30 deg to 360 deg')
    return gyro_scale(case.samples, step_rad)


def _leak(case: _Case) -> Outcome:
    from vario.app.calibrate.leak import static_leak  # noqa: PLC0415

    return static_leak(case.samples)


def _airspeed(case: _Case) -> Outcome:
    from vario.app.calibrate.legs import position_error  # noqa: PLC0415

    return position_error(case.corrected, case.settings.sensors.pitot.position_error, case.windows)


def _total_energy(case: _Case) -> Outcome:
    from vario.app.calibrate.pull_up import energy_check  # noqa: PLC0415

    return energy_check(case.corrected, case.settings.sensors.baro.position_error)


def _polar(case: _Case) -> Outcome:
    from vario.app.calibrate.glides import fit_polar  # noqa: PLC0415

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
