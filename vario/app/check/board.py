"""Checks of the computer: model, 32 or 64 bit, supply voltage, temperature, serial port.

All facts are read from files of the kernel, below a root that a test can replace.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from vario.app.check.findings import Finding, failed, passed, warned

_MODEL = "proc/device-tree/model"
_THROTTLED = "sys/devices/platform/soc*/*firmware/get_throttled"
_HWMONS = "sys/class/hwmon/hwmon*"
_ZONES = "sys/class/thermal/thermal_zone*/temp"

# Bits of get_throttled (Raspberry Pi documentation, vcgencmd).
UNDER_VOLTAGE_NOW, THROTTLED_NOW = 0x1, 0x4
UNDER_VOLTAGE_SINCE_START, THROTTLED_SINCE_START = 0x1_0000, 0x4_0000

SUPPLY, TOO_LOW_NOW = "supply of the computer", "the voltage is too low now"

HOT_DEGC = 75.0
"""The processor slows down from 80 °C on (Raspberry Pi documentation, frequency management)."""

BETTER_SUPPLY = "Use a converter that supplies 3 A and shorter or thicker wires; transmit and run again"
COOLER = "Improve the cooling of the box: openings, or a metal plate on the processor"
ASK_FIRMWARE = "Run vcgencmd get_throttled: throttled=0x0 means no warning"
HEADER_PORT = 'Set port = "/dev/ttyAMA0" under [gnss]; `install.sh` enables it'


@dataclass(frozen=True, slots=True)
class Board:
    """The facts that the kernel reports about the computer.

    Attributes:
        model: the name of the board, such as "Raspberry Pi 5 Model B Rev 1.0"; None if the kernel gives none.
        pointer_bits: 32 or 64, of the running interpreter.
        throttled: the bits of the firmware; None if the kernel does not pass them on.
        temperature_degc: the warmest zone; None if there is none.
        low_voltage: whether the kernel's own alarm says that the voltage is too low now; None if it has none.
    """

    model: str | None
    pointer_bits: int
    throttled: int | None
    temperature_degc: float | None
    low_voltage: bool | None = None

    @property
    def is_pi_5(self) -> bool:
        """Whether it is a Raspberry Pi 5 (or a board with the same pins, the 500 and the module 5)."""
        return self.model is not None and any(
            name in self.model for name in ("Raspberry Pi 5", "Compute Module 5")
        )


def read_board(root: Path = Path("/")) -> Board:
    """Read the facts; a file that is missing or cannot be read gives None."""
    model = _text(root / _MODEL)
    throttled = next((_number(path, 16) for path in root.glob(_THROTTLED)), None)
    zones = [value for path in root.glob(_ZONES) if (value := _number(path, 10)) is not None]
    return Board(
        model=None if model is None else model.rstrip("\0\n") or None,
        pointer_bits=8 * struct.calcsize("P"),
        throttled=throttled,
        temperature_degc=max(zones) / 1000.0 if zones else None,
        low_voltage=_low_voltage(root),
    )


def check_board(board: Board, gnss_port: str | None = None) -> list[Finding]:
    """Check the computer; `gnss_port` is the serial port in the settings."""
    return list(_findings(board, gnss_port))


def _findings(board: Board, gnss_port: str | None) -> Iterator[Finding]:
    subject = "computer"
    found = f"{board.model or 'no Raspberry Pi'}, {board.pointer_bits}-bit"
    if board.pointer_bits < 64:
        step = "Install a 64-bit system: there are no built packages of NumPy and others for 32 bit"
        yield failed(subject, found, step)
    else:
        yield passed(subject, found)
    if board.throttled is not None:
        yield _supply(board.throttled)
    elif board.low_voltage is not None:
        yield _alarm(board.low_voltage)
    elif board.model is not None and "Raspberry Pi" in board.model:
        yield warned(SUPPLY, "the kernel does not pass on the warnings of the firmware", ASK_FIRMWARE)
    if board.temperature_degc is not None:
        yield _temperature(board.temperature_degc)
    if gnss_port == "/dev/serial0" and board.is_pi_5:
        found = "on this model /dev/serial0 is the connector beside the HDMI sockets, not the pin header"
        yield warned("serial port", found, HEADER_PORT)


def _temperature(degc: float) -> Finding:
    subject, found = "temperature of the processor", f"{degc:.0f} °C"
    return warned(subject, found, COOLER) if degc > HOT_DEGC else passed(subject, found)


def _alarm(low_voltage: bool) -> Finding:
    if low_voltage:
        return failed(SUPPLY, TOO_LOW_NOW, BETTER_SUPPLY)
    return passed(SUPPLY, "no warning at present; earlier ones are not known")


def _supply(bits: int) -> Finding:
    if bits & UNDER_VOLTAGE_NOW:
        return failed(SUPPLY, TOO_LOW_NOW, BETTER_SUPPLY)
    if bits & UNDER_VOLTAGE_SINCE_START:
        return warned(SUPPLY, "the voltage was too low since the start", BETTER_SUPPLY)
    if bits & (THROTTLED_NOW | THROTTLED_SINCE_START):
        return warned(SUPPLY, "the processor was slowed down since the start", COOLER)
    return passed(SUPPLY, "no warning since the start")


def _low_voltage(root: Path) -> bool | None:
    """The alarm of the kernel's driver for the supply (Linux, hwmon/raspberrypi-hwmon.rst)."""
    for monitor in root.glob(_HWMONS):
        if (_text(monitor / "name") or "").strip() == "rpi_volt":
            alarm = _number(monitor / "in0_lcrit_alarm", 10)
            return None if alarm is None else alarm != 0
    return None


def _text(path: Path) -> str | None:
    try:
        return path.read_text("utf-8", errors="replace")
    except OSError:
        return None


def _number(path: Path, base: int) -> int | None:
    try:
        return int(_text(path) or "", base)
    except ValueError:
        return None
