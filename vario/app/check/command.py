"""The command line of `vario check`."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

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
        "check", help="on the ground: test wiring, sensors, card and sound; exit code 1 on a failure"
    )
    parser.add_argument(
        "--config", type=Path, default=Path("vario.toml"), help="settings file; default: vario.toml here"
    )
    parser.add_argument(
        "--seconds", type=float, default=10.0, help="how long to read the sensors, s; default: 10"
    )
    parser.add_argument("--silent", action="store_true", help="no tone test")
    parser.set_defaults(command=check_command)


def check_command(arguments: argparse.Namespace) -> int:
    """Check everything and print the table; returns the exit code."""
    from drivers.bus import SmBus  # noqa: PLC0415  (only this command needs all of it)
    from drivers.port import TtyPort  # noqa: PLC0415
    from vario.app.check.board import check_board, read_board  # noqa: PLC0415
    from vario.app.check.house import check_sound  # noqa: PLC0415
    from vario.app.check.sensing import worst  # noqa: PLC0415
    from vario.app.live.clock import MonotonicClock  # noqa: PLC0415
    from vario.app.live.fitting import Buses  # noqa: PLC0415
    from vario.settings.load import load_settings  # noqa: PLC0415

    loaded = load_settings(arguments.config)
    settings, named = loaded.settings, loaded.settings.recorder.folder
    buses = Buses(SmBus)
    try:
        folder = None if named is None else str(loaded.path(named))
        findings = check_board(read_board(), settings.gnss.port)
        findings += check(settings, buses, TtyPort, MonotonicClock(), arguments.seconds, folder=folder)
    finally:
        buses.close()
    if not arguments.silent:
        findings.append(check_sound(settings.audio))
    print_findings(findings)
    return worst(findings)


def check(
    settings: Settings,
    buses: Callable[[int], Bus],
    port: Callable[[str], Port],
    clock: Clock,
    seconds: float,
    *,
    folder: str | None = None,
) -> list[Finding]:
    """Check everything except the sound; `folder` is the recording folder, None if there is none."""
    from vario.app.check.findings import failed  # noqa: PLC0415
    from vario.app.check.house import check_card  # noqa: PLC0415
    from vario.app.check.sensing import check_sensors, listen  # noqa: PLC0415
    from vario.app.check.wiring import check_wiring  # noqa: PLC0415
    from vario.app.errors import AppError  # noqa: PLC0415
    from vario.app.live.fitting import NOTHING_FITTED, fitted  # noqa: PLC0415

    findings = check_wiring(settings, buses)
    try:
        what = fitted(settings, buses, port)
    except AppError as error:
        if str(error) == NOTHING_FITTED:
            findings.append(failed("settings", "no sensor is set", "Set the chips found under [sensors.…]"))
    else:
        findings += check_sensors(settings, what, listen(what, clock, seconds), seconds)
    return [*findings, check_card(folder)]


def print_findings(findings: Sequence[Finding]) -> None:
    """Print the table of findings."""
    from rich.table import Table  # noqa: PLC0415

    from vario.app.terminal import terminal  # noqa: PLC0415

    table = Table("", "what", "found", "what to do next")
    for finding in findings:
        table.add_row(finding.verdict.value, finding.subject, finding.found, finding.next_step)
    terminal().print(table)
