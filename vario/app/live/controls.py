"""Knobs and buttons in flight: what a step or press does.

A step is heard at once. The steps of one setting are collected until the knob rests for a moment; then the
settings file is changed as `vario set` does it, so the change is validated, recorded and replayed like every
other one. Pins and devices may be missing at the start or be lost in flight (`vario.app.outlet`).
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from drivers.events import REFUSED, SAY, STEP, TAKEN, Event, Mark, PilotAction
from drivers.knobs import InputKnob, KnobEvent, PinKnob, Send, Turned, lgpio_pins
from vario.app.change.marks import checked_text
from vario.app.change.short_names import set_setting
from vario.app.errors import AppError
from vario.app.outlet import Outlet, Seldom
from vario.settings.controls import (
    MODE_NAMES,
    TURNED,
    Button,
    Controls,
    InputDevice,
    KnobStep,
    Part,
    Pressing,
    Turnable,
    parse_press,
    parse_turn,
)
from vario.settings.errors import SettingsError
from vario.settings.keys import keys
from vario.settings.load import load_settings
from vario.settings.quantity import parse, show
from vario.settings.schema import Settings
from vario.settings.short_names import SHORT_NAMES

LOG = logging.getLogger("vario.live")

SETTLE_S = 0.25
"""The file is changed when no step has come for this long: turning a knob by ten steps is one change."""

MARK_TEXT = "button"


class _OpenPart(Protocol):
    @property
    def problem(self) -> str | None: ...

    def close(self) -> None: ...


Open = Callable[[Controls, str, Send], _OpenPart]


def open_part(controls: Controls, name: str, send: Send, pins: Callable[[], Any] = lgpio_pins) -> _OpenPart:
    """Open one knob or button of the settings.

    Raises:
        UnavailableError: if it is missing; the message gives the reason and what to do.
    """
    part = controls.parts[name]
    if isinstance(part, Button):
        return PinKnob(pins(), None, part.pin, controls.long_press_time_s, send)
    if isinstance(part, InputDevice):
        return InputKnob(part.device or "", controls.long_press_time_s, send)
    encoder = None if part.pin_a is None or part.pin_b is None else (part.pin_a, part.pin_b)
    return PinKnob(pins(), encoder, part.pin_press, controls.long_press_time_s, send)


class ControlPanel:
    """All knobs and buttons of the settings. `take` gives the events for the loop.

    Args:
        controls: the settings.
        config: the settings file to change; None: every change is refused.
        changed: called after a change of the file, so that it is read soon.
        open_one: opens a knob or button.
        settle_s: see `SETTLE_S`.
    """

    def __init__(
        self,
        controls: Controls,
        config: Path | None,
        changed: Callable[[], None] = lambda: None,
        open_one: Open = open_part,
        settle_s: float = SETTLE_S,
    ) -> None:
        self._config = config
        self._changed = changed
        self._settle_s = settle_s
        self._events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._work: queue.SimpleQueue[tuple[Part, KnobEvent] | None] = queue.SimpleQueue()
        self._seldom = Seldom()
        self._thread = threading.Thread(target=self._serve, name="controls", daemon=True)
        self._thread.start()
        self._outlets = [
            Outlet(
                name,
                partial(open_one, controls, name, partial(self._send, part)),
                lambda device: device.problem,
                lambda device: device.problem is not None,
                without="without it",
            )
            for name, part in controls.parts.items()
            if part.is_fitted
        ]

    @property
    def problem(self) -> str | None:
        """Why a knob or button does not work; None if all work."""
        return next((outlet.problem for outlet in self._outlets if outlet.problem is not None), None)

    def take(self) -> Event | None:
        """The next event, if there is one."""
        try:
            return self._events.get_nowait()
        except queue.Empty:
            return None

    def close(self) -> None:
        """Release the devices, and change the settings for steps already made."""
        for outlet in self._outlets:
            outlet.close()
        self._work.put(None)
        self._thread.join()

    def _send(self, part: Part, event: KnobEvent) -> None:
        """An event of a device, in its thread. A step is heard at once."""
        if isinstance(event, Turned):
            if not isinstance(part, Turnable) or part.turn is None:
                return
            self._events.put(PilotAction(0.0, STEP, part.turn))
        self._work.put((part, event))

    def _serve(self) -> None:
        """The loop of the thread."""
        steps: dict[str, int] = {}
        due_s: float | None = None
        while True:
            try:
                wait_s = None if due_s is None else max(due_s - time.monotonic(), 0.0)
                item = self._work.get(timeout=wait_s)
            except queue.Empty:
                item, due_s = None, None
                self._change_by_steps(steps)
                continue
            if item is None:
                self._change_by_steps(steps)
                return
            part, event = item
            if isinstance(event, Turned):
                assert isinstance(part, Turnable)  # noqa: S101  (see _send)
                assert part.turn is not None  # noqa: S101
                steps[part.turn] = steps.get(part.turn, 0) + event.steps
                due_s = time.monotonic() + self._settle_s
                continue
            text = part.long_press if event.is_long else part.press
            pressing = None if text is None else parse_press(text)
            if pressing is not None:
                self._press(pressing)

    def _change_by_steps(self, steps: dict[str, int]) -> None:
        for text, count in steps.items():
            turning = parse_turn(text)
            if turning is not None and count:
                self._try(text, partial(self._turn, turning, count))
        steps.clear()

    def _press(self, pressing: Pressing) -> None:
        if pressing.kind == "mark":
            self._events.put(Mark(0.0, checked_text(pressing.value or MARK_TEXT)))
            self._events.put(PilotAction(0.0, TAKEN, "mark"))
        elif pressing.kind == "say":
            self._events.put(PilotAction(0.0, SAY, pressing.value))
        elif pressing.kind == "mode":
            self._try("mode", partial(self._mode, pressing.value))
        else:
            self._try(pressing.name, partial(self._set, pressing.name, pressing.value))

    def _turn(self, turning: KnobStep, count: int) -> None:
        """Change a setting by steps, up to the end of its range."""
        settings = self._settings()
        key = keys(Settings)[SHORT_NAMES[turning.setting]]
        value: Any = settings
        for field in key.fields:
            value = getattr(value, field)
        dimension = TURNED[turning.setting]
        assert key.low is not None  # noqa: S101  (each of them has a range)
        assert key.high is not None  # noqa: S101
        if dimension is None:
            low, high, step = float(key.low), float(key.high), turning.step
        else:
            low, high = parse(key.low, dimension), parse(key.high, dimension)
            step = turning.step * dimension.units[turning.unit or ""]
        if value is None:  # not set: the steps begin at the example of the settings file
            value = key.example if dimension is None else parse(key.example, dimension)
        wanted = min(max(value + count * step, low), high)
        if abs(wanted - value) < 1e-3 * step:
            raise AppError(f"{turning.setting} is at the end of its range, {key.range}")
        text = f"{wanted:.6g}" if dimension is None else show(wanted, dimension, turning.unit)
        self._set(turning.setting, text)

    def _mode(self, value: str) -> None:
        """Hold a mode, or leave it if it is held already; without a value, the next one."""
        held = self._settings().flight.mode
        following = MODE_NAMES[(MODE_NAMES.index(held) + 1) % len(MODE_NAMES)]
        self._set("mode", following if not value else "automatic" if value == held else value)

    def _set(self, name: str, value: str) -> None:
        LOG.info("controls: %s", set_setting(name, value, self._file()))
        self._changed()

    def _settings(self) -> Settings:
        return load_settings(self._file()).settings

    def _file(self) -> Path:
        if self._config is None:
            raise AppError("there is no settings file to change: name one with --config")
        return self._config

    def _try(self, what: str, change: Callable[[], None]) -> None:
        try:
            change()
        except Exception as error:  # whatever fails, the pilot hears it, and the next press may work
            self._events.put(PilotAction(0.0, REFUSED, what))
            if self._seldom.may_say(what, time.monotonic()):
                told = isinstance(error, AppError | SettingsError)
                LOG.warning("controls: %s: %s", what, error if told else repr(error))
