"""`vario tone play`: play the tone live; keys change the vario."""

from __future__ import annotations

import os
import re
import select
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from vario.app.errors import AppError
from vario.app.tone.render import KEYS, LIMIT_MPS, cue_keys
from vario.flight.inputs.frames import FRAME_S
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.tone.cues import RULES, CueCall, CueInputs
from vario.flight.tone.stage import ToneInputs, ToneStage
from vario.settings.schema import Settings
from vario.settings.tone import Tone
from vario.sound.live import LiveSink
from vario.sound.sink import Sink

_KEY = re.compile(rb"\x1b\[[0-9;]*[A-Za-z~]|.", re.DOTALL)
"""One key as a terminal sends it: an escape sequence or a byte. A read may return several keys."""

CUE_KEYS = tuple(key.encode() for key in cue_keys())

_MOVES_MPS = {b"\x1b[A": 0.1, b"\x1b[B": -0.1, b"\x1b[5~": 1.0, b"\x1b[6~": -1.0}


@dataclass(slots=True)
class KeyState:
    """The state that the keys control."""

    vario_mps: float = 0.0
    mode: Mode = Mode.CIRCLING
    silent: bool = False
    """No tone commands are sent."""
    cue: CueCall | None = None
    done: bool = False

    def press(self, key: bytes) -> None:
        """Process one key as the terminal sends it; unknown keys are ignored."""
        if key in _MOVES_MPS:
            moved_mps = round(self.vario_mps + _MOVES_MPS[key], 1)
            self.vario_mps = min(max(moved_mps, -LIMIT_MPS), LIMIT_MPS)
        elif key == b"0":
            self.vario_mps = 0.0
        elif key == b"m":
            self.mode = Mode.CRUISE if self.mode is Mode.CIRCLING else Mode.CIRCLING
        elif key == b"s":
            self.silent = not self.silent
        elif key in (b"q", b"\x03", b"\x04", b""):  # also Ctrl-C, Ctrl-D and end of input
            self.done = True
        elif key in CUE_KEYS:
            rule = RULES[CUE_KEYS.index(key)]
            self.cue = CueCall(rule.cue, (self.cue.number if self.cue else 0) + 1, rule.is_warning)


def play_keyboard(tone: Tone, device: str | None) -> None:
    """Play on a sound device until the user quits.

    Raises:
        AppError: if the input is not a terminal.
        SoundDeviceError: if there is no sound device.
    """
    if not sys.stdin.isatty():
        raise AppError("tone play: the input is not a terminal; expected a keyboard")
    import termios  # noqa: PLC0415  (Unix only, like the select on a keyboard below)
    import tty  # noqa: PLC0415  (likewise)

    keyboard = sys.stdin.fileno()
    before = termios.tcgetattr(keyboard)
    with LiveSink(device=device) as sink:
        print(KEYS)
        try:
            tty.setcbreak(keyboard)
            fly(keyboard, sink, tone, _show)
        finally:
            termios.tcsetattr(keyboard, termios.TCSADRAIN, before)
        gone = "" if sink.is_playing else "; the sound device was disconnected"
        print(f"\n{sink.underruns} blocks were late{gone}")


def fly(keyboard: int, sink: Sink, tone: Tone, show: Callable[[KeyState], None]) -> None:
    """Read keys from a file descriptor and update the tone, 50 times per second, until the user quits."""
    stage, air = ToneStage(Setup(Settings(tone=tone))), KeyState()
    show(air)
    while not air.done:
        if select.select([keyboard], [], [], FRAME_S)[0]:
            for key in _KEY.findall(os.read(keyboard, 1024)) or [b""]:
                air.press(key)
            show(air)
        if not air.silent:
            cue_inputs = CueInputs(time.monotonic(), air.mode, Quality.OK, vario_known=True)
            command = stage.update(ToneInputs(cue_inputs, air.vario_mps))
            # Cues from keys have other numbers than the cues of the stage at a change of mode.
            if air.cue is not None and (command.cue is None or air.cue.number * 1000 > command.cue.number):
                command = replace(command, cue=replace(air.cue, number=air.cue.number * 1000))
            sink.play(command, FRAME_S)


def _show(air: KeyState) -> None:
    state = "commands stopped" if air.silent else air.mode.value
    print(f"\r{air.vario_mps:+5.1f} m/s  {state:18}", end="", flush=True)
