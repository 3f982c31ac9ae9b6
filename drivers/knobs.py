"""Rotary knobs and push buttons: on GPIO pins, or as input devices of Linux.

Each device calls `send` in a thread of its own, once for each step and each press. The receiver must return
at once.

An incremental encoder gives two square waves a quarter period apart; their order is the direction. `gpiozero`
decodes them as a state machine that passes through all four states of a period, so contact bounce neither
adds nor loses a step. Contacts are wired to ground and pulled up inside the Raspberry Pi.
"""

from __future__ import annotations

import os
import select
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from drivers.errors import UnavailableError
from drivers.quick import dataclass


@dataclass(frozen=True, slots=True)
class Turned:
    """A knob has turned by one step: +1 clockwise, −1 counter-clockwise."""

    steps: int


@dataclass(frozen=True, slots=True)
class Pressed:
    """A knob or button was pressed. A long press is reported while it is still held."""

    is_long: bool


KnobEvent = Turned | Pressed
Send = Callable[[KnobEvent], None]

BOUNCE_S = 0.005
"""Contacts of push buttons bounce for some milliseconds (J. G. Ganssle, "A Guide to Debouncing", 2004, from
memory: mean 1.6 ms, most below 6.2 ms)."""


def lgpio_pins() -> Any:
    """The pins of this Raspberry Pi.

    Raises:
        UnavailableError: if a library or the pins are missing.
    """
    try:
        from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415  (optional)
    except ImportError as error:
        raise UnavailableError(
            f"knobs on pins need the extra controls ({error})",
            "sudo ./install.sh --extras controls; without install.sh: pip install 'glider-vario[controls]'",
        ) from error
    try:
        return LGPIOFactory()
    except Exception as error:  # the library raises exceptions of its own classes without a common base
        advice = "This needs a Raspberry Pi, and the user must be in the group gpio"
        raise UnavailableError(f"the GPIO pins cannot be opened: {error}", advice) from error


class PinKnob:
    """An encoder, a push contact, or both, on GPIO pins.

    Args:
        pins: factory of pins of `gpiozero`.
        encoder: GPIO numbers of the contacts A and B; None: no encoder.
        press: GPIO number of the push contact; None: none.
        long_press_s: length of a long press.
        send: receives the events.

    Raises:
        UnavailableError: if a pin cannot be used.
    """

    problem: str | None = None
    """Always None: a pin cannot be unplugged in a way that the program could notice."""

    def __init__(
        self,
        pins: Any,
        encoder: tuple[int, int] | None,
        press: int | None,
        long_press_s: float,
        send: Send,
    ) -> None:
        import gpiozero  # noqa: PLC0415  (optional)

        self._devices: list[Any] = []
        self._held = False
        try:
            if encoder is not None:
                knob = gpiozero.RotaryEncoder(*encoder, max_steps=0, pin_factory=pins)
                self._devices.append(knob)
                knob.when_rotated_clockwise = lambda: send(Turned(+1))
                knob.when_rotated_counter_clockwise = lambda: send(Turned(-1))
            if press is not None:
                button = gpiozero.Button(
                    press, hold_time=long_press_s, bounce_time=BOUNCE_S, pin_factory=pins
                )
                self._devices.append(button)
                button.when_held = lambda: self._hold(send)
                button.when_released = lambda: self._release(send)
        except Exception as error:  # exceptions of gpiozero and of its pins
            self.close()
            numbers = " and ".join(str(number) for number in (*(encoder or ()), press) if number is not None)
            raise UnavailableError(
                f"GPIO {numbers}: cannot be used: {error}", "Check whether another device uses one of them"
            ) from error

    def _hold(self, send: Send) -> None:
        self._held = True
        send(Pressed(is_long=True))

    def _release(self, send: Send) -> None:
        was_long, self._held = self._held, False
        if not was_long:
            send(Pressed(is_long=False))

    def close(self) -> None:
        """Release the pins."""
        for device in self._devices:
            device.close()
        self._devices = []


# linux/input.h: struct input_event; linux/input-event-codes.h: the numbers.
_EVENT = struct.Struct("@llHHi")
_EV_KEY, _EV_REL = 0x01, 0x02
_DIALS = (0x07, 0x08)  # REL_DIAL, REL_WHEEL
_STEP_KEYS = {115: +1, 114: -1}  # KEY_VOLUMEUP, KEY_VOLUMEDOWN: many knobs on USB are volume knobs
_DOWN, _UP = 1, 0  # 2 is the automatic repetition of a key

_LARGEST_STEP = 100
"""A device that reports more steps at once is faulty."""


class InputKnob:
    """A knob that Linux presents as an input device, for example on USB.

    A dial or wheel, or volume keys, count as steps. Every other key is a press.

    The events are read here and not with the library `evdev`: on PyPI that is source code only, so each
    Raspberry Pi would need a C compiler and the headers of Python and of the kernel. Reading takes one
    structure of 24 bytes.

    Args:
        path: device file.
        long_press_s: length of a long press.
        send: receives the events.

    Raises:
        UnavailableError: if it cannot be opened.
    """

    def __init__(self, path: str, long_press_s: float, send: Send) -> None:
        self._path = path
        self._long_press_s = long_press_s
        self._send = send
        self.problem: str | None = None
        self._pressed_s: float | None = None
        self._rest = b""
        try:
            self._device = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise UnavailableError(
                f"{path}: cannot be opened: {error.strerror}",
                "Check the plug, and whether the user is in the group input",
            ) from error
        self._wake = os.pipe()
        self._thread = threading.Thread(target=self._work, name="knob", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Close the device and wait for its thread. A second call has no effect."""
        if self._device < 0:
            return
        with suppress(OSError):
            os.write(self._wake[1], b"x")
        self._thread.join()
        for handle in (self._device, *self._wake):
            os.close(handle)
        self._device = -1

    def _work(self) -> None:
        try:
            while True:
                wait_s = None
                if self._pressed_s is not None:
                    wait_s = max(self._pressed_s + self._long_press_s - time.monotonic(), 0.0)
                readable, _, _ = select.select([self._device, self._wake[0]], [], [], wait_s)
                if self._wake[0] in readable:
                    return
                if self._device in readable:
                    self._read()
                if self._pressed_s is not None:
                    self._hold()
        except OSError as error:
            self.problem = f"{self._path}: is lost: {error.strerror}"

    def _read(self) -> None:
        data = self._rest + os.read(self._device, 64 * _EVENT.size)
        if not data:
            raise OSError(0, "no device")
        whole = len(data) - len(data) % _EVENT.size
        self._rest = data[whole:]
        for _, _, kind, code, value in _EVENT.iter_unpack(data[:whole]):
            if kind == _EV_REL and code in _DIALS and abs(value) <= _LARGEST_STEP:
                self._steps(value)
            elif kind == _EV_KEY and code in _STEP_KEYS:
                self._steps(_STEP_KEYS[code] if value == _DOWN else 0)
            elif kind == _EV_KEY:
                self._key(value)

    def _steps(self, count: int) -> None:
        for _ in range(abs(count)):
            self._send(Turned(1 if count > 0 else -1))

    def _key(self, value: int) -> None:
        if value == _DOWN:
            self._pressed_s = time.monotonic()
        elif value == _UP and self._pressed_s is not None:
            self._pressed_s = None
            self._send(Pressed(is_long=False))

    def _hold(self) -> None:
        if self._pressed_s is not None and time.monotonic() - self._pressed_s >= self._long_press_s:
            self._pressed_s = None
            self._send(Pressed(is_long=True))
