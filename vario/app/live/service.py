"""`vario install-service`: start the instrument with the Pi, and restart it whenever it ends.

The unit is shown before it is written. Reference: systemd.service(5), systemd.exec(5).
"""

from __future__ import annotations

import argparse
import re
import shutil
import sys
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

from hw_replay.text import shown
from vario.app.change.marks import marks_folder
from vario.app.errors import AppError
from vario.app.live.command import LAST_OUTPUT_S
from vario.app.live.ending import LONGEST_S
from vario.app.options import add_config_option

if TYPE_CHECKING:
    from argparse import ArgumentParser, _SubParsersAction

    from vario.settings.load import LoadedSettings
    from vario.settings.schema import Settings

UNIT = Path("/etc/systemd/system/vario.service")

WATCHDOG_S = 15
"""Watchdog time. A stuck bus can delay the loop by a second per sensor; a loop that hangs longer is
restarted.
"""

STOP_S = 8
"""A run ends by itself earlier in every case. After this time the service manager kills it."""

PRIORITY = 20
"""Above all normal threads, below the threads of the kernel (50)."""

_OURS = "# Written by vario install-service."
"""How the unit begins."""

_TEMPLATE = """\
{ours} Settings: {config}
[Unit]
Description=Variometer
After=sound.target
StartLimitIntervalSec=0

[Service]
Type=notify
ExecStart={command}
User={user}
SupplementaryGroups=i2c dialout audio{groups}

# It is restarted after every end, also if it hangs. It ends by itself within {ends_s} s.
Restart=always
RestartSec=1
WatchdogSec={watchdog_s}
TimeoutStopSec={stop_s}

# Readings on time, before anything else. The service manager sets this up, so no capability is needed.
# RestrictRealtime= is left out: the sound library may ask for real time for its thread.
CPUSchedulingPolicy=rr
CPUSchedulingPriority={priority}
OOMScoreAdjust=-900

# The root file system may be read-only; only these places are written to.
ProtectSystem=strict
ProtectHome={home}
PrivateTmp=yes
StateDirectory=vario
{writable}UMask=0027
Environment=PYTHONDONTWRITEBYTECODE=1

# Of the devices: I2C (89), serial lines (4, 204; by USB 166, 188), sound (116). By number (Linux,
# admin-guide/devices.txt), because a name is not known before the first such device is plugged in.
DevicePolicy=closed
DeviceAllow=char-89 rw
DeviceAllow=char-4 rw
DeviceAllow=char-204 rw
DeviceAllow=char-166 rw
DeviceAllow=char-188 rw
DeviceAllow=char-116 rw
{devices}
# Network: only what [nmea] and [page] ask for. AF_UNIX is for the service manager and the journal.
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6

# Nothing of the system is changed and no rights are gained. What is refused gives an error and kills nothing.
# MemoryDenyWriteExecute= is left out: the sound library makes its callback while running.
# PrivateUsers= is left out: the groups above would be no groups in it.
NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged
SystemCallErrorNumber=EPERM
RestrictNamespaces=yes
RestrictSUIDSGID=yes
LockPersonality=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectClock=yes
ProtectHostname=yes
ProtectProc=invisible
RemoveIPC=yes
KeyringMode=private

[Install]
WantedBy=multi-user.target
"""

_USER = re.compile(r"[A-Za-z_][A-Za-z0-9_-]{0,30}|[0-9]{1,10}")
"""A user name, or a number (systemd, docs/USER_NAMES: the strict form)."""

HOMES = (Path("/home"), Path("/root"), Path("/run/user"))
"""The folders that ProtectHome= hides (systemd.exec(5))."""


def unit_text(
    settings: Settings, config: Path, command: Path, user: str, python: Path = Path(sys.base_prefix)
) -> str:
    """The unit for a settings file.

    Args:
        settings: the settings in the file.
        config: its absolute path; relative paths in the settings are relative to its folder.
        command: absolute path of the program `vario`.
        user: the user who runs it.
        python: path of the installed interpreter.

    Raises:
        AppError: if a path or the user name is not permitted in a unit.
    """
    if not _USER.fullmatch(user):
        raise AppError(f"--user {user!r}: expected the name of a user: letters, digits, _ and -, or a number")
    words = (command, "run", "--config", config, "--marks", marks_folder(config))
    folder = None if settings.recorder.folder is None else config.parent / settings.recorder.folder
    named = (settings.recorder.folder, settings.glider, settings.page.passphrase_file, settings.voice.folder)
    used = (command, config, python, *(config.parent / name for name in named if name is not None))
    at_home = any(path.is_relative_to(home) for path in used for home in HOMES)
    # A knob, and with a passphrase the live page, change the settings file, by replacing it in its folder.
    changes = settings.controls.is_fitted or settings.page.passphrase_file is not None
    written = dict.fromkeys(path for path in (folder, config.parent if changes else None) if path is not None)
    writable = "".join(f"ReadWritePaths=-{_word(path)}\n" for path in written)
    # Only with knobs: a group that does not exist would prevent the start. Input devices are 13; pins have a
    # number that is assigned when the system starts.
    controls = [("gpio", "char-gpiochip")] * settings.controls.uses_pins
    controls += [("input", "char-13")] * settings.controls.usb_knob.is_fitted
    return _TEMPLATE.format(
        ours=_OURS,
        config=config,
        command=" ".join(_word(word) for word in words),
        user=user,
        watchdog_s=WATCHDOG_S,
        priority=PRIORITY,
        writable=writable,
        groups="".join(f" {group}" for group, _ in controls),
        devices="".join(f"DeviceAllow={device} rw\n" for _, device in controls),
        home="read-only" if at_home else "yes",
        ends_s=f"{LONGEST_S + LAST_OUTPUT_S:g}",
        stop_s=STOP_S,
    )


def _word(text: str | Path) -> str:
    """A word of a command line or a path, as written in a unit."""
    word = str(text)
    if any(not character.isprintable() or character in "\"'\\$" for character in word):
        raise AppError(f"{word!r}: quotes, $ and control characters are not permitted in a unit; rename it")
    word = word.replace("%", "%%")
    return f'"{word}"' if " " in word else word


def add_parser(commands: _SubParsersAction[ArgumentParser]) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "install-service", help="start the instrument with the Pi: show a systemd unit, then write it"
    )
    add_config_option(parser, here=True)
    parser.add_argument("--user", default="vario", help="user who runs it; default: vario")
    parser.add_argument("--unit", type=Path, default=UNIT, help=f"file to write; default: {UNIT}")
    parser.add_argument("--yes", action="store_true", help="write without asking")
    parser.set_defaults(command=install_command)


def install_command(arguments: argparse.Namespace) -> int:
    """Show the unit, ask, write it, and print the next steps."""
    from vario.app.files.atomic import result_file
    from vario.app.noise.files import write_keeping
    from vario.settings.load import load_settings

    config = arguments.config.resolve()
    loaded = load_settings(config)
    text = unit_text(loaded.settings, config, _program(), arguments.user)
    out = sys.stdout
    out.write(text)
    if not arguments.yes and not _agreed(f"\nWrite this to {arguments.unit}? [y/N] "):
        out.write("nothing written\n")
        return 0
    kept = None
    if _is_ours(arguments.unit):
        with result_file(arguments.unit) as temporary:
            temporary.write_text(text, encoding="utf-8")
    else:
        kept = write_keeping(arguments.unit, text)
    if kept is not None:
        out.write(shown(f"the previous file is now {kept}\n"))
    told = (
        f"written: {arguments.unit}\n"
        f"next:    sudo useradd --system {arguments.user}   (once, if there is no such user)\n"
        f"{_make_folder(loaded, arguments.user)}"
        "         sudo systemctl daemon-reload && sudo systemctl enable --now vario\n"
        "watch:   systemctl status vario; journalctl -fu vario\n"
    )
    out.write(shown(told))
    return 0


def _is_ours(unit: Path) -> bool:
    """Whether this command wrote the unit. It is then replaced, not kept: it can be made again."""
    try:
        return unit.read_text(encoding="utf-8", errors="replace").startswith(_OURS)
    except FileNotFoundError:
        return False


def _make_folder(loaded: LoadedSettings, user: str) -> str:
    """The first step if the folder for recordings is missing: the service has no permission to create it."""
    named = loaded.settings.recorder.folder
    if named is None or loaded.path(named).exists():
        return ""
    return f"         sudo install -d -o {user} {quote(str(loaded.path(named)))}\n"


def _program() -> Path:
    """Path of the program `vario` of this installation."""
    beside = Path(sys.executable).parent / "vario"
    found = beside if beside.exists() else shutil.which("vario")
    if found is None:
        raise AppError("the program vario is not installed here: pip install . first")
    return Path(found).absolute()


def _agreed(question: str) -> bool:
    if not sys.stdin.isatty():
        raise AppError("nothing written: there is no terminal to ask; use --yes to write without asking")
    return input(question).strip().lower() in {"y", "yes"}
