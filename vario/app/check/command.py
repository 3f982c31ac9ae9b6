"""The command line of `vario check`."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from vario.app.options import add_config_option, add_fake_option, require_reading_time

if TYPE_CHECKING:
    from argparse import _SubParsersAction

    from drivers.bus import Bus
    from drivers.port import Port
    from vario.app.check.findings import Finding
    from vario.app.live.clock import Clock
    from vario.settings.schema import Settings


def add_parser(commands: _SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "check",
        help="on the ground: test sensors, card, knobs, words, page and sound; exit code 1 on a failure",
    )
    add_config_option(parser, here=True)
    parser.add_argument(
        "--seconds", type=float, default=10.0, help="how long to read the sensors, s; default: 10"
    )
    add_fake_option(parser)
    parser.add_argument("--silent", action="store_true", help="no tone test")
    parser.set_defaults(command=check_command)


def check_command(arguments: argparse.Namespace) -> int:
    """Check everything and print the table; returns the exit code."""
    from drivers.bus import SmBus
    from drivers.port import TtyPort
    from vario.app.check.board import check_board, read_board
    from vario.app.check.cockpit import check_cockpit
    from vario.app.check.findings import exit_code
    from vario.app.check.setup import check_setup
    from vario.app.check.system import check_sound
    from vario.app.live.clock import MonotonicClock
    from vario.app.live.fitting import Buses
    from vario.settings.load import load_settings

    require_reading_time("--seconds", arguments.seconds)
    if arguments.fake is not None:
        return _practise(arguments)
    loaded = load_settings(arguments.config)
    settings, named = loaded.settings, loaded.settings.recorder.folder
    buses = Buses(SmBus)
    try:
        folder = None if named is None else str(loaded.path(named))
        findings = check_board(read_board(), settings.gnss.port)
        findings += check(settings, buses, TtyPort, MonotonicClock(), arguments.seconds, folder=folder)
    finally:
        buses.close()
    findings += check_cockpit(loaded)
    findings.append(check_sound(settings.audio, silent=arguments.silent))
    findings += check_setup(settings)
    print_findings(findings)
    return exit_code(findings)


def _practise(arguments: argparse.Namespace) -> int:
    """Check fake chips and the settings: no card, no sound."""
    from vario.app.check.findings import exit_code
    from vario.app.check.setup import check_setup
    from vario.app.live.practice import PRACTICE, practice
    from vario.app.terminal import terminal

    practised = practice(arguments.fake, arguments.config)
    settings = practised.loaded.settings
    terminal().print(PRACTICE)
    findings = check(
        settings, practised.buses, practised.port, practised.clock, arguments.seconds, card=False
    )
    findings += check_setup(settings)
    print_findings(findings)
    return exit_code(findings)


def check(
    settings: Settings,
    buses: Callable[[int], Bus],
    port: Callable[[str], Port],
    clock: Clock,
    seconds: float,
    *,
    folder: str | None = None,
    card: bool = True,
) -> list[Finding]:
    """Check wiring, sensors and card; `folder` is the recording folder, None if there is none."""
    from vario.app.check.findings import failed
    from vario.app.check.sensing import check_sensors, listen
    from vario.app.check.system import check_card
    from vario.app.check.wiring import check_wiring
    from vario.app.errors import AppError
    from vario.app.live.fitting import NOTHING_FITTED, build_sensors

    findings = check_wiring(settings, buses)
    samples_hz = None
    try:
        what = build_sensors(settings, buses, port)
    except AppError as error:
        if str(error) == NOTHING_FITTED:
            findings.append(failed("settings", "no sensor is set", "Set the chips found under [sensors.…]"))
    else:
        heard = listen(what, clock, seconds)
        findings += check_sensors(settings, what, heard, seconds)
        samples_hz = sum(map(len, heard.values())) / seconds
    return [*findings, check_card(folder, samples_hz=samples_hz)] if card else findings


def print_findings(findings: Sequence[Finding]) -> None:
    """Print the table of findings, and the most urgent step."""
    from rich.table import Table

    from vario.app.check.findings import first_step
    from vario.app.terminal import terminal

    table = Table("", "what", "found", "what to do next")
    for finding in findings:
        table.add_row(finding.verdict.value, finding.subject, finding.found, finding.next_step)
    terminal().print(table)
    terminal().print(first_step(findings))
