"""Knob, voice and live page of a live run, and the hands and browsers that use them."""

from __future__ import annotations

import os
import socket
import struct
from contextlib import suppress
from pathlib import Path

from tests.support.generated_words import write_bank
from tests.support.processes import processor_s, resident_kb
from vario.settings.edit import set_value

BROWSERS = 5

_EVENT = struct.Struct("@llHHi")  # linux/input.h: struct input_event
_DIAL, _PUSH = (0x02, 0x07), (0x01, 28)  # EV_REL with REL_DIAL, EV_KEY with KEY_ENTER

CYCLE_S = 10.0
"""The hand turns the knob in the first part of a cycle and asks for a value later, when no cue sounds."""

TURNING_S = 4.0
TURN_S = 0.1
ASK_AT_S = 6.0


class Cockpit:
    """Everything that the pilot can touch, see and hear beside the tone.

    The knob is a pipe instead of an input device. Many steps forward and back are one change of the setting,
    as the knob collects them.

    Attributes:
        steps, changes, asked: made so far.
        messages: received by the browsers.

    Args:
        folder: folder for its files.
        port: port of the page.
    """

    def __init__(self, folder: Path, port: int) -> None:
        self._folder, self._port = folder, port
        self._knob_path = folder / "knob"
        os.mkfifo(self._knob_path)
        self._knob = os.open(self._knob_path, os.O_RDWR | os.O_NONBLOCK)
        write_bank(folder / "words")
        self._browsers: list[socket.socket] = []
        self._begun_s: float | None = None
        self._turn_at_s = self._ask_at_s = 0.0
        self._server: int | None = None
        self._is_turning = False
        self.steps = self.changes = self.asked = self.messages = 0

    def settings(self, text: str) -> str:
        """The settings file with all of it switched on."""
        for key, value in (
            (("page", "address"), f"127.0.0.1:{self._port}"),
            (("voice", "language"), "en"),
            (("voice", "folder"), str(self._folder / "words")),
            (("voice", "each_turn"), "average wind"),
            (("controls", "usb_knob", "device"), str(self._knob_path)),
            (("controls", "usb_knob", "turn"), "volume 0.05"),
            (("controls", "usb_knob", "press"), "say average maccready"),
        ):
            text = set_value(text, key, value)
        return text

    def play(self, now_s: float, program: int, *, may_change: bool) -> None:
        """Do what is due: turn, ask, and read what the browsers got.

        Args:
            now_s: monotonic time.
            program: process number of the instrument.
            may_change: whether there is time for a change to come into the recording.
        """
        if self._begun_s is None:
            self._begun_s = self._turn_at_s = now_s
            self._ask_at_s = now_s + ASK_AT_S
        was_turning, self._is_turning = self._is_turning, (now_s - self._begun_s) % CYCLE_S < TURNING_S
        if now_s >= self._turn_at_s and self._is_turning:
            self._turn_at_s = now_s + TURN_S
            self._turn(1)
            self._turn(-1)
        if was_turning and not self._is_turning and may_change:
            self._turn(1 if self.changes % 2 == 0 else -1)
            self.changes += 1
        if now_s >= self._ask_at_s:
            self._ask_at_s += CYCLE_S
            self._write(*_PUSH, 1)
            self._write(*_PUSH, 0)
            self.asked += 1
        if self._server is None:
            self._server = _child(program)
        self._read()

    def server(self) -> tuple[int, float]:
        """Resident set of the server of the page in KiB, and its processor time in s."""
        if self._server is None:
            return 0, 0.0
        return resident_kb(self._server), processor_s(self._server)

    def close(self) -> None:
        """Close everything."""
        os.close(self._knob)
        for browser in self._browsers:
            browser.close()

    def _turn(self, step: int) -> None:
        self._write(*_DIAL, step)
        self.steps += 1

    def _write(self, kind: int, code: int, value: int) -> None:
        with suppress(BlockingIOError):
            os.write(self._knob, _EVENT.pack(0, 0, kind, code, value))

    def _read(self) -> None:
        if self._server is not None and len(self._browsers) < BROWSERS:
            with suppress(OSError):
                browser = socket.create_connection(("127.0.0.1", self._port), 1.0)
                browser.sendall(b"GET /stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
                browser.setblocking(False)
                self._browsers.append(browser)
        for browser in self._browsers:
            with suppress(BlockingIOError, ConnectionError):
                self.messages += browser.recv(65_536).count(b"data: {")


def _child(program: int) -> int | None:
    """The process of the page: the only child of the program, whatever thread started it (proc(5))."""
    for task in (Path("/proc") / str(program) / "task").iterdir():
        with suppress(OSError):  # the thread has ended
            if found := (task / "children").read_text().split():
                return int(found[0])
    return None
