"""Settings of knobs and buttons, and what their texts mean."""

import math
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Literal, get_args

from drivers.quick import dataclass
from vario.settings.errors import Broken
from vario.settings.fields import Section, optional_number, optional_text, quantity, section
from vario.settings.quantity import MASS, PRESSURE, SPEED, Dimension, split
from vario.settings.voice import SPOKEN

TURNED: Mapping[str, Dimension | None] = MappingProxyType(
    {"maccready": SPEED, "ballast": MASS, "bugs": None, "volume": None, "qnh": PRESSURE}
)
"""The settings that a knob can turn, by their short names, with their dimensions."""

_TURN = 'expected a setting and its step, such as "maccready 0.1 m/s", "ballast 10 kg" or "volume 0.05"'
_PRESS = (
    'expected "mark", "mark TEXT", "mode", "mode circling", "say", "say wind", or a setting and its value, '
    'such as "maccready 0 m/s"'
)
ModeOverride = Literal["automatic", "cruise", "circling", "approach"]
MODE_NAMES: tuple[str, ...] = get_args(ModeOverride)
"""The values of `flight.mode`, in the order in which presses go through them."""


@dataclass(frozen=True, slots=True)
class KnobStep:
    """What a step of a knob changes: the setting, the size of the step in `unit`; no unit: a plain number."""

    setting: str
    step: float
    unit: str | None


@dataclass(frozen=True, slots=True)
class Pressing:
    """What a press does.

    Attributes:
        kind: "mark", "mode", "say", or "set".
        name: with "set", the short name of the setting.
        value: text of the mark, mode, what to say, or value of the setting; may be empty, except with "set".
    """

    kind: str
    value: str
    name: str = ""


def parse_turn(text: str) -> KnobStep | None:
    """What the text of `turn` means; None if it is invalid."""
    setting, _, step = text.strip().partition(" ")
    if setting not in TURNED:
        return None
    size, unit = _value(setting, step)
    return KnobStep(setting, size, unit) if size > 0.0 else None


def _value(setting: str, text: str) -> tuple[float, str | None]:
    """The number and the unit of a value; the number is NaN if the text is no value of this setting."""
    dimension = TURNED[setting]
    try:
        number, unit = (float(text), None) if dimension is None else split(text, dimension)
    except ValueError:
        return math.nan, None
    return number if math.isfinite(number) else math.nan, unit


def parse_press(text: str) -> Pressing | None:
    """What the text of `press` or `long_press` means; None if it is invalid."""
    kind, _, value = text.strip().partition(" ")
    value = value.strip()
    allowed = {"mark": True, "mode": value in ("", *MODE_NAMES), "say": not set(value.split()) - set(SPOKEN)}
    if kind in allowed:
        return Pressing(kind, value) if allowed[kind] else None
    valid = kind in TURNED and not math.isnan(_value(kind, value)[0])
    return Pressing("set", value, kind) if valid else None


def _press(example: str, when: str) -> str | None:
    return optional_text(example, f"What {when} does: {_PRESS.removeprefix('expected ')}; absent: nothing")  # type: ignore[no-any-return]


def _pin(example: int, what: str) -> int | None:
    text = f"GPIO number (not the number on the header) of {what}; absent: not connected"
    return optional_number(example, 0, 27, text)  # type: ignore[no-any-return]


class _Pressable(Section):
    """What presses do."""

    press: str | None = _press("say", "a short press")
    long_press: str | None = _press("mark", "a long press")

    def broken_rules(self) -> Iterator[Broken]:
        """The texts must have a meaning."""
        for key, text in (("press", self.press), ("long_press", self.long_press)):
            if text is not None and parse_press(text) is None:
                yield Broken((key,), _PRESS)


class Button(_Pressable):
    """A push button between a GPIO and ground."""

    pin: int | None = _pin(22, "the button")

    @property
    def is_fitted(self) -> bool:
        """Whether there is such a button."""
        return self.pin is not None


class Button2(Button):
    """A push button between a GPIO and ground."""

    pin: int | None = _pin(24, "the button")


class Button3(Button):
    """A push button between a GPIO and ground."""

    pin: int | None = _pin(25, "the button")


class Turnable(_Pressable):
    """What turning does."""

    turn: str | None = optional_text(
        "maccready 0.1 m/s",
        f"What one step clockwise adds: {_TURN.removeprefix('expected ')}; absent: nothing",
    )

    def broken_rules(self) -> Iterator[Broken]:
        """The texts must have a meaning."""
        if self.turn is not None and parse_turn(self.turn) is None:
            yield Broken(("turn",), _TURN)
        yield from super().broken_rules()


class Knob(Turnable):
    """A rotary knob that can be pressed: an incremental encoder between GPIO pins and ground."""

    pin_a: int | None = _pin(17, "contact A of the encoder")
    pin_b: int | None = _pin(27, "contact B of the encoder")
    pin_press: int | None = _pin(23, "the push contact")

    def broken_rules(self) -> Iterator[Broken]:
        """An encoder has two contacts."""
        if (self.pin_a is None) != (self.pin_b is None):
            yield Broken(("pin_a", "pin_b"), "an encoder needs both, pin_a and pin_b")
        yield from super().broken_rules()

    @property
    def is_fitted(self) -> bool:
        """Whether there is such a knob."""
        return self.pin_a is not None or self.pin_press is not None


class Knob2(Knob):
    """A second rotary knob."""

    pin_a: int | None = _pin(5, "contact A of the encoder")
    pin_b: int | None = _pin(6, "contact B of the encoder")
    pin_press: int | None = _pin(13, "the push contact")


class InputDevice(Turnable):
    """A knob that Linux presents as an input device, such as one on USB."""

    device: str | None = optional_text(
        "/dev/input/by-id/usb-knob-event-if00", "Device file; absent: no such knob"
    )

    @property
    def is_fitted(self) -> bool:
        """Whether there is such a knob."""
        return self.device is not None


Part = Knob | InputDevice | Button


class Controls(Section):
    """Knobs and buttons. Changes of this section take effect at the next start."""

    long_press_time_s: float = quantity("0.8 s", "0.3 s", "3 s", "A press of this length is a long one")
    knob_1: Knob = section()
    knob_2: Knob2 = section()
    usb_knob: InputDevice = section()
    button_1: Button = section()
    button_2: Button2 = section()
    button_3: Button3 = section()

    def broken_rules(self) -> Iterator[Broken]:
        """No pin may be used twice."""
        used: dict[int, str] = {}
        for name, key, pin in self._pins():
            if pin in used:
                yield Broken((used[pin], f"{name}.{key}"), f"both use GPIO {pin}; expected different pins")
            used[pin] = f"{name}.{key}"

    def _pins(self) -> Iterator[tuple[str, str, int]]:
        for name, part in self.parts.items():
            for key in ("pin_a", "pin_b", "pin_press", "pin"):
                pin = getattr(part, key, None)
                if pin is not None:
                    yield name, key, pin

    @property
    def parts(self) -> dict[str, Part]:
        """All knobs and buttons by their keys, fitted or not."""
        return {
            "knob_1": self.knob_1,
            "knob_2": self.knob_2,
            "usb_knob": self.usb_knob,
            "button_1": self.button_1,
            "button_2": self.button_2,
            "button_3": self.button_3,
        }

    @property
    def is_fitted(self) -> bool:
        """Whether there is any knob or button."""
        return any(part.is_fitted for part in self.parts.values())

    @property
    def uses_pins(self) -> bool:
        """Whether anything is connected to GPIO pins."""
        return any(True for _ in self._pins())
