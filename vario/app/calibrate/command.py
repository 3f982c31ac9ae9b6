"""The command line of `vario calibrate`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from vario.app.options import A_RECORDING, TIME, add_config_option, add_fake_option

if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace, _SubParsersAction

LIVE_S = 30.0
"""For how long a calibration at rest reads the sensors."""

SIX_SIDES_S = 120.0
"""Six sides for 5 s each, and the time to turn the box from one side to the next."""

THREE_SIDES_S = 180.0
"""Two turns with rests of 5 s on each of three sides, and the time to put the box on the next side."""

LEAK_TEST_S = 120.0
"""Half a minute for the suction, one minute closed, and the release."""

IN_FLIGHT_S = 900.0
"""The time of a glide down from 1000 m."""


def add_parser(commands: _SubParsersAction[ArgumentParser]) -> None:
    """Register the command with all kinds of calibration."""
    parser = commands.add_parser("calibrate", help="determine sensor errors, or the polar of the glider")
    methods = parser.add_subparsers(title="methods", required=True, metavar="METHOD")
    _method(methods, "pitot-offset", "zero of the pitot sensor, with the pitot covered")
    _method(methods, "gyro-bias", "bias of the gyro, at rest")
    method = _method(methods, "barometer", "offset of the barometer, at rest on a field of known elevation")
    method.add_argument("--elevation", required=True, help='elevation of the barometer, such as "420 m"')
    method.add_argument("--qnh", required=True, help='altimeter setting, such as "1018 hPa"')
    method = _method(
        methods, "level", "mounting angles of the inertial sensor: fuselage level, then a second pose"
    )
    method.add_argument(
        "--tail-up", type=Path, metavar="FILE", help="a recording with the tail lifted by 5° or more"
    )
    method.add_argument(
        "--ground-run",
        action="store_true",
        help="the recording FILE starts at rest and continues with the acceleration of a launch",
    )
    _method(
        methods,
        "six-position",
        "bias and scale of the accelerometer: the sensor on each of its six sides, 5 s each",
        SIX_SIDES_S,
    )
    method = _method(
        methods,
        "gyro-scale",
        "scale of the gyro: turn the box on a table by whole quarter turns, on three of its sides",
        THREE_SIDES_S,
    )
    method.add_argument(
        "--step",
        default="90 deg",
        help="the angle of every turn is a whole multiple of this step; default: 90 deg",
    )
    _method(
        methods,
        "leak",
        "leak test of the static line, on the ground: suction to 300 m, close, wait one minute",
        LEAK_TEST_S,
    )
    method = _method(
        methods,
        "airspeed",
        "position error: straight runs on three or more headings, with GNSS",
        IN_FLIGHT_S,
    )
    _windows(method, "--run")
    _method(
        methods,
        "total-energy",
        "total-energy compensation: pull-ups and push-overs in still air",
        IN_FLIGHT_S,
    )
    method = _method(
        methods,
        "polar",
        "polar of the glider: steady glides at several speeds in still air",
        IN_FLIGHT_S,
    )
    _windows(method, "--glide")


def _method(
    methods: _SubParsersAction[ArgumentParser],
    name: str,
    about: str,
    live_s: float = LIVE_S,
) -> ArgumentParser:
    method = methods.add_parser(name, help=about)
    method.add_argument(
        "file",
        type=Path,
        help=f"{A_RECORDING}; with the word live, the sensors are read now",
    )
    method.add_argument(
        "--for",
        dest="live_s",
        type=float,
        default=live_s,
        metavar="SECONDS",
        help=f"with live: how long the sensors are read; default: {live_s:g}",
    )
    add_fake_option(method)
    method.add_argument(
        "--between",
        nargs=2,
        metavar=("FROM", "TO"),
        help=f"use only this part of the recording: {TIME}; default: all of it",
    )
    add_config_option(method, default="the settings in the recording; with live, vario.toml in this folder")
    method.add_argument(
        "--out", type=Path, default=Path("calibration"), help="folder for the results; default: calibration"
    )
    method.add_argument(
        "--apply", type=Path, metavar="CONFIG", help="also write the result into this settings file"
    )
    method.set_defaults(command=calibrate_command, method=name)
    return method


def _windows(method: ArgumentParser, name: str) -> None:
    method.add_argument(
        name,
        dest="windows",
        nargs=2,
        action="append",
        default=[],
        metavar=("FROM", "TO"),
        help=f"start and end: {TIME}; repeat {name} for each interval; default: they are detected",
    )
    method.set_defaults(windows_option=name)


def calibrate_command(arguments: Namespace) -> int:
    """Calibrate, print the result and write the files; returns the exit code."""
    # Imported here and below because only this command needs them.
    from vario.app.calibrate.methods import FIND, Case
    from vario.app.calibrate.outcome import apply_outcome, write_outcome
    from vario.app.calibrate.readings import part_of, read_input
    from vario.app.noise.files import provenance
    from vario.app.terminal import labelled, terminal

    samples, info, loaded = read_input(arguments)
    samples = part_of(samples, arguments.between, info.start_utc)
    times = [sample.t_s for sample in samples]
    outcome = FIND[arguments.method](Case(arguments, samples, loaded, info.start_utc))
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
