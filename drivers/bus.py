"""The I²C bus: its interface for drivers, and the implementation on Linux.

The drivers need three kinds of transfer. Each one either completes or raises a typed error.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Protocol

from drivers.errors import BusStuckError, NoAnswerError, SensorError, UnavailableError


class Bus(Protocol):
    """Plain I²C transfers to a 7-bit address.

    Raises, from each transfer:
        NoAnswerError: no chip acknowledged.
        BusStuckError: the bus stays busy.
        UnavailableError: the bus device has disappeared.
    """

    @property
    def name(self) -> str:
        """The name for messages and recordings, e.g. "i2c-1"."""

    def write(self, address: int, data: bytes) -> None:
        """Send bytes."""

    def read(self, address: int, length: int) -> bytes:
        """Fetch bytes."""

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        """Send bytes, then fetch after a repeated start (no stop between)."""

    def recover(self) -> None:
        """Try to free a stuck bus. The next transfer shows whether it succeeded."""

    def close(self) -> None:
        """Close the bus. Closing twice does nothing."""


I2C_RDWR = 0x0707
"""Request of several messages as one transfer (Linux, include/uapi/linux/i2c-dev.h)."""

MOST_TRANSFERS = 256
"""Largest number of transfers whose messages are kept. The drivers of all chips together need fewer."""

PULL_UP_ADVICE = "Check SDA and SCL for a short or a missing pull-up; unplug the chips one at a time"
_NO_ANSWER_ADVICE = "Check that its supply and ground are connected and SDA and SCL not swapped"

_ERRNO: dict[int | None, tuple[type[SensorError], str, str]] = {
    # What the kernel's I2C drivers return (Linux, Documentation/i2c/fault-codes).
    errno.ENXIO: (NoAnswerError, "does not answer", _NO_ANSWER_ADVICE),
    errno.EREMOTEIO: (NoAnswerError, "does not answer", _NO_ANSWER_ADVICE),
    errno.EIO: (NoAnswerError, "stopped the transfer", _NO_ANSWER_ADVICE),
    errno.ETIMEDOUT: (BusStuckError, "the bus timed out", PULL_UP_ADVICE),
    errno.EAGAIN: (BusStuckError, "another program or chip holds the bus", PULL_UP_ADVICE),
    errno.EBUSY: (BusStuckError, "the bus is busy", "Another program or kernel driver may use the chip"),
    errno.ENODEV: (UnavailableError, "the bus has disappeared", "Check the adapter"),
}


class SmBus:
    """An I²C bus of the Raspberry Pi, through `/dev/i2c-N`.

    Args:
        number: N; 1 on the pin header.
        open_bus: opens bus N; what it returns needs `transfer` and `close`, as `_Device` has.

    Raises:
        UnavailableError: if it cannot be opened. The message says what to enable.
    """

    def __init__(self, number: int = 1, open_bus: Callable[[int], Any] | None = None) -> None:
        self.number = number
        self._open_bus = open_bus or _Device
        self._bus: Any = None
        self._transfers: dict[tuple[int, bytes | None, int | None], tuple[Any, Any]] = {}
        self._open()

    @property
    def name(self) -> str:
        """The device's name without its directory."""
        return f"i2c-{self.number}"

    def write(self, address: int, data: bytes) -> None:
        """Send bytes."""
        self._transfer(address, data, None)

    def read(self, address: int, length: int) -> bytes:
        """Fetch bytes."""
        return self._fetched(address, None, length)

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        """Send bytes, then fetch after a repeated start."""
        return self._fetched(address, data, length)

    def recover(self) -> None:
        """Close and open the device.

        Nine clock pulses free a chip that holds SDA (NXP UM10204, 3.1.16). Only the kernel can send them:
        adapters with a recovery hook (for example the `i2c-gpio` overlay) do so on the next transfer.
        Without a hook, only switching the supply of the chips off and on helps.
        """
        self.close()
        with suppress(UnavailableError):
            self._open()

    def close(self) -> None:
        """Close the device."""
        if self._bus is not None:
            self._bus.close()
            self._bus = None

    def _open(self) -> None:
        try:
            self._bus = self._open_bus(self.number)
        except OSError as error:
            raise UnavailableError(
                f"/dev/{self.name} cannot be opened: {error.strerror}", _open_advice(error.errno)
            ) from error

    def _fetched(self, address: int, data: bytes | None, length: int) -> bytes:
        # `bytes` of a message calls C through an interface that costs five times as much as this slice.
        fetched: bytes = self._transfer(address, data, length)[:length]
        return fetched

    def _transfer(self, address: int, data: bytes | None, length: int | None) -> Any:
        """Send bytes, fetch bytes, or both; returns the buffer of the last message."""
        if self._bus is None:
            self._open()
        kept = self._transfers.get((address, data, length))
        prepared, buffer = kept or self._prepare(address, data, length)
        try:
            self._bus.transfer(prepared)
        except OSError as error:
            told = error_of(error, self.name, address)
            if isinstance(told, UnavailableError):
                self.close()  # an adapter that is plugged in again is another device
            raise told from error
        return buffer

    def _prepare(self, address: int, data: bytes | None, length: int | None) -> tuple[Any, Any]:
        """The argument of a transfer, and the buffer of its last message.

        They are kept: `SMBus.i2c_rdwr` would make the argument for each transfer, which costs more than the
        transfer.
        """
        from smbus2 import i2c_msg  # noqa: PLC0415  (needs Linux; fakes and replay must not)
        from smbus2.smbus2 import i2c_rdwr_ioctl_data  # noqa: PLC0415  (likewise)

        messages: Any = [] if data is None else [i2c_msg.write(address, data)]
        if length is not None:
            messages.append(i2c_msg.read(address, length))
        if len(self._transfers) >= MOST_TRANSFERS:
            self._transfers.clear()
        made = i2c_rdwr_ioctl_data.create(*messages), messages[-1].buf
        self._transfers[address, data, length] = made
        return made


class _Device:
    """The device of a bus in Linux."""

    def __init__(self, number: int) -> None:
        from fcntl import ioctl  # noqa: PLC0415  (needs Linux; fakes and replay must not)

        from smbus2 import SMBus  # noqa: PLC0415  (likewise)

        self._bus: Any = SMBus(number)
        self._ioctl = ioctl
        self.close = self._bus.close

    def transfer(self, prepared: Any) -> None:
        """Exchange the messages of an `i2c_rdwr_ioctl_data`."""
        self._ioctl(self._bus.fd, I2C_RDWR, prepared)


def error_of(error: OSError, bus: str, address: int) -> SensorError:
    """The typed error for an error of the operating system during a transfer."""
    kind, words, advice = _ERRNO.get(
        error.errno, (BusStuckError, f"transfer failed ({error})", PULL_UP_ADVICE)
    )
    if kind is NoAnswerError:
        return kind(f"the chip at 0x{address:02X} on {bus} {words}", advice)
    return kind(f"{words} ({bus}, while talking to 0x{address:02X})", advice)


def _open_advice(number: int | None) -> str:
    if number == errno.EACCES:
        return "Add the user to the group i2c and log in again"
    return "Switch I²C on (sudo raspi-config nonint do_i2c 0) and restart"
