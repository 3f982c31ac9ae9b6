"""Knobs and buttons, at the pins (mock pins of gpiozero) and at the bytes of an input device."""

from __future__ import annotations

import os
import queue
import random
import re
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from drivers import knobs
from drivers.errors import UnavailableError
from drivers.knobs import InputKnob, KnobEvent, PinKnob, Pressed, Turned
from tests.support import missing

A, B, PRESS = 17, 27, 23
WITHIN_S = 5.0
"""An event that takes longer counts as missing; it comes in milliseconds."""

# Contacts to ground: a low pin is a closed contact. One step clockwise, A first.
CLOCKWISE = ((A, 0), (B, 0), (A, 1), (B, 1))
COUNTER = ((B, 0), (A, 0), (B, 1), (A, 1))


class Hand:
    """Turns and presses mock pins."""

    def __init__(self) -> None:
        self.pins = MockFactory()
        self.events: queue.SimpleQueue[KnobEvent] = queue.SimpleQueue()
        self.knob = PinKnob(self.pins, (A, B), PRESS, 0.05, self.events.put)

    def drive(self, pin: int, level: int) -> None:
        line = self.pins.pin(pin)
        (line.drive_high if level else line.drive_low)()

    def turn(self, steps: int, bounces: random.Random | None = None) -> None:
        for _ in range(abs(steps)):
            for pin, level in CLOCKWISE if steps > 0 else COUNTER:
                if bounces is not None:
                    for _ in range(bounces.randrange(3)):
                        self.drive(pin, level)
                        self.drive(pin, 1 - level)
                self.drive(pin, level)

    def all_events(self) -> list[KnobEvent]:
        return [self.events.get_nowait() for _ in range(self.events.qsize())]


@pytest.fixture
def hand() -> Iterator[Hand]:
    made = Hand()
    yield made
    made.knob.close()
    made.pins.reset()


@pytest.mark.parametrize("count", [1_000, pytest.param(10_000, marks=pytest.mark.long)])
def test_steps_with_bouncing_contacts_none_lost_none_doubled(hand: Hand, count: int) -> None:
    rng = random.Random(1)  # noqa: S311
    turned = [rng.choice((-1, 1)) * 20 for _ in range(count // 20)]
    for steps in turned:
        hand.turn(steps, bounces=rng)
    expected = [Turned(1 if steps > 0 else -1) for steps in turned for _ in range(abs(steps))]
    assert len(expected) == count
    assert hand.all_events() == expected


def test_half_a_step_and_back_is_no_step(hand: Hand) -> None:
    for pin, level in ((A, 0), (B, 0), (B, 1), (A, 1)) * 50:
        hand.drive(pin, level)
    assert hand.all_events() == []


def test_a_short_and_a_long_press(hand: Hand) -> None:
    hand.drive(PRESS, 0)
    assert hand.events.get(timeout=WITHIN_S) == Pressed(is_long=True)  # while it is held
    hand.drive(PRESS, 1)
    hand.drive(PRESS, 0)
    hand.drive(PRESS, 1)
    assert hand.events.get(timeout=WITHIN_S) == Pressed(is_long=False)
    assert hand.all_events() == []


def test_a_pin_in_use_is_told_and_releases_the_others(hand: Hand) -> None:
    with pytest.raises(UnavailableError, match="GPIO"):
        PinKnob(hand.pins, (5, B), None, 1.0, hand.events.put)
    PinKnob(hand.pins, (5, 6), None, 1.0, hand.events.put).close()


# linux/input.h: struct input_event { struct timeval time; __u16 type, code; __s32 value; }
# linux/input-event-codes.h: EV_SYN 0, EV_KEY 1, EV_REL 2, REL_DIAL 7, KEY_VOLUMEDOWN 114, KEY_VOLUMEUP 115,
# KEY_MUTE 113. `test_the_numbers_are_those_of_the_kernel` compares them with the header of the kernel.
def event(kind: int, code: int, value: int) -> bytes:
    return struct.pack("@llHHi", 0, 0, kind, code, value) + struct.pack("@llHHi", 0, 0, 0, 0, 0)


DIAL_UP, DIAL_DOWN, DIAL_UP_3 = event(2, 7, 1), event(2, 7, -1), event(2, 7, 3)
LOUDER, SOFTER = event(1, 115, 1) + event(1, 115, 0), event(1, 114, 1) + event(1, 114, 0)
MUTE_DOWN, MUTE_UP = event(1, 113, 1), event(1, 113, 0)


class Usb:
    """An input device made of a pipe with a name."""

    def __init__(self, path: Path, long_press_s: float) -> None:
        os.mkfifo(path)
        self._reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)  # otherwise opening for writing would wait
        self.writer = os.open(path, os.O_WRONLY)
        self.events: queue.SimpleQueue[KnobEvent] = queue.SimpleQueue()
        self.knob = InputKnob(str(path), long_press_s, self.events.put)

    def get(self, count: int) -> list[KnobEvent]:
        return [self.events.get(timeout=WITHIN_S) for _ in range(count)]

    def close(self) -> None:
        self.knob.close()
        os.close(self._reader)
        if self.writer >= 0:
            os.close(self.writer)


@pytest.fixture
def usb(tmp_path: Path) -> Iterator[Usb]:
    made = Usb(tmp_path / "event0", 0.05)
    yield made
    made.close()


def test_ten_thousand_steps_of_an_input_device_in_pieces_of_any_size(usb: Usb) -> None:
    rng = random.Random(2)  # noqa: S311
    steps = [rng.choice((1, -1)) for _ in range(10_000)]
    stream = b"".join(rng.choice((DIAL_UP, LOUDER) if one > 0 else (DIAL_DOWN, SOFTER)) for one in steps)
    while stream:
        size = rng.randrange(1, 4000)
        os.write(usb.writer, stream[:size])
        stream = stream[size:]
    assert usb.get(10_000) == [Turned(one) for one in steps]
    os.write(usb.writer, DIAL_UP_3)
    assert usb.get(3) == [Turned(1)] * 3
    assert usb.events.empty()


def test_presses_of_an_input_device(usb: Usb) -> None:
    os.write(usb.writer, MUTE_DOWN)
    assert usb.get(1) == [Pressed(is_long=True)]
    os.write(usb.writer, MUTE_UP + MUTE_DOWN + MUTE_UP)
    assert usb.get(1) == [Pressed(is_long=False)]


HEADER = Path("/usr/include/linux/input-event-codes.h")


@pytest.mark.skipif(not HEADER.exists(), reason=missing.KERNEL_HEADERS)
def test_the_numbers_are_those_of_the_kernel() -> None:
    found = re.findall(
        r"^#define\s+(\w+)\s+(0x[0-9a-f]+|\d+)\b", HEADER.read_text(encoding="utf-8"), re.MULTILINE
    )
    code = {name: int(number, 0) for name, number in found}
    assert (code["EV_KEY"], code["EV_REL"]) == (knobs._EV_KEY, knobs._EV_REL)
    assert (code["REL_DIAL"], code["REL_WHEEL"]) == knobs._DIALS
    assert {code["KEY_VOLUMEUP"]: 1, code["KEY_VOLUMEDOWN"]: -1} == knobs._STEP_KEYS


def test_an_absurd_number_of_steps_is_dropped(usb: Usb) -> None:
    os.write(usb.writer, event(2, 7, 2**31 - 1) + DIAL_UP)
    assert usb.get(1) == [Turned(1)]


def test_an_unplugged_device_is_told(usb: Usb) -> None:
    os.close(usb.writer)
    usb.writer = -1
    usb.knob._thread.join(WITHIN_S)
    assert usb.knob.problem is not None
    assert "event0: is lost" in usb.knob.problem


def test_a_missing_device_is_told() -> None:
    with pytest.raises(UnavailableError, match=r"No such file.*group input"):
        InputKnob("/dev/input/none", 1.0, lambda _: None)
