"""The serial line: its interface for drivers, and the implementation on Linux."""

from __future__ import annotations

from typing import Any, Protocol

from drivers.errors import UnavailableError


class Port(Protocol):
    """A serial line that is only read.

    Raises, from each call:
        UnavailableError: the port cannot be opened, or has disappeared.
    """

    @property
    def name(self) -> str:
        """The name for messages and recordings, e.g. "/dev/serial0"."""

    def set_baud(self, baud: int) -> None:
        """Open the line if necessary, set the baud rate (8 bits, no parity), and discard earlier bytes."""

    def read(self) -> bytes:
        """The bytes that have arrived; it does not wait."""

    def close(self) -> None:
        """Close the line. Closing twice does nothing."""


class TtyPort:
    """A serial device of the system.

    Args:
        path: "/dev/serial0", "/dev/ttyUSB0", …
    """

    def __init__(self, path: str) -> None:
        self._path = path
        self._port: Any = None

    @property
    def name(self) -> str:
        """The device's path."""
        return self._path

    def set_baud(self, baud: int) -> None:
        """Open the line if necessary, and set the baud rate."""
        from serial import Serial, SerialException  # noqa: PLC0415  (fakes and replay must not need it)

        try:
            if self._port is None:
                self._port = Serial(self._path, baud, timeout=0)
            self._port.baudrate = baud
            self._port.reset_input_buffer()
        except (SerialException, OSError, ValueError) as error:
            self.close()
            raise UnavailableError(f"{self._path} cannot be used at {baud} baud: {error}", _ADVICE) from error

    def read(self) -> bytes:
        """The bytes that have arrived."""
        if self._port is None:
            raise UnavailableError(f"{self._path} is not open", _ADVICE)
        try:
            return bytes(self._port.read(self._port.in_waiting))
        except OSError as error:  # SerialException is an OSError
            self.close()
            raise UnavailableError(f"{self._path} has disappeared: {error}", _ADVICE) from error

    def close(self) -> None:
        """Close the device."""
        if self._port is not None:
            self._port.close()
            self._port = None


_ADVICE = (
    "Check the device's name and plug; on the pin header switch the port on and its login console off "
    "(sudo raspi-config nonint do_serial_hw 0 and do_serial_cons 1), and add the user to the group dialout"
)
