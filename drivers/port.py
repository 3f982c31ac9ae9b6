"""A serial line as drivers see it, and the real one."""

from __future__ import annotations

from typing import Any, Protocol

from drivers.errors import UnavailableError


class Port(Protocol):
    """A serial line that is only listened to.

    Raises, from each call:
        UnavailableError: the port cannot be opened, or has gone.
    """

    @property
    def name(self) -> str:
        """For messages and recordings, e.g. "/dev/serial0"."""

    def set_baud(self, baud: int) -> None:
        """Open it if need be, listen at a speed (8 bits, no parity), forget what came before."""

    def read(self) -> bytes:
        """What has arrived, without waiting."""

    def close(self) -> None:
        """Let it go. Closing twice does nothing."""


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
        """Open if need be, and listen at a speed."""
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
        """What has arrived."""
        if self._port is None:
            raise UnavailableError(f"{self._path} is not open", _ADVICE)
        try:
            return bytes(self._port.read(self._port.in_waiting))
        except OSError as error:  # SerialException is one too
            self.close()
            raise UnavailableError(f"{self._path} has gone: {error}", _ADVICE) from error

    def close(self) -> None:
        """Let the device go."""
        if self._port is not None:
            self._port.close()
            self._port = None


_ADVICE = (
    "Check the device's name and plug; on the pin header switch the port on and its login console off "
    "(enable_uart=1, raspi-config), and add the user to the group dialout"
)
