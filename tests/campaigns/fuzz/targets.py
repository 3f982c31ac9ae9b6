"""The targets of the fuzzer: each takes bytes, and gives plausible data or a typed error of the project."""

from __future__ import annotations

import errno
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import cycle, islice
from pathlib import Path
from random import Random

from drivers.bus import Bus, error_of
from drivers.errors import SensorError
from drivers.fakes import FakeBus, FakeClock, World, fake
from drivers.gnss import GnssReceiver
from drivers.nmea import checksum
from drivers.registry import CHIPS, build
from drivers.samples import CHANNELS, Baro
from drivers.sensor import NEVER_S, Sensor
from tests.campaigns.fuzz import containers, logs, seeds
from tests.campaigns.fuzz.babble import Babble, identity_of
from tests.campaigns.fuzz.reading import (
    UntrueError,
    check,
    form_of,
    read_source,
    take_change,
    take_flight,
    take_glider,
    take_scenario,
    take_settings,
    take_source,
)
from vario.settings.errors import QuantityError
from vario.settings.load import parse_settings
from vario.settings.output import parse_address
from vario.settings.quantity import DIMENSIONS, parse

Repair = Callable[[Random, bytes], bytes]


@dataclass(frozen=True, slots=True)
class Target:
    """A reader of external bytes.

    Attributes:
        name: its name.
        seeds: the initial cases.
        run: reads bytes and describes the outcome in a few words; raises one of `TYPED`.
        share: relative number of cases.
        words: bytes that have a meaning for it.
        repair: corrects checksums and lengths after damage, so that the damage reaches inner code.
    """

    name: str
    seeds: Sequence[bytes]
    run: Callable[[bytes], str]
    share: float
    words: Sequence[bytes] = ()
    repair: Repair | None = None


def targets(folder: Path) -> list[Target]:
    """All targets. Readers of files read them in `folder`, preferably one in memory."""
    keys = _words_of(*seeds.settings_files(), *seeds.gliders(), *seeds.scenarios())
    channels = tuple(name.encode() for name in CHANNELS)
    loaded = parse_settings(seeds.SETTINGS.decode(), "settings")
    glider = seeds.gliders()[0].decode()
    found = [
        Target(
            "mcap",
            seeds.recordings(),
            partial(take_source, folder / "x.mcap"),
            12.0,
            channels,
            containers.repaired,
        ),
        Target(
            "csv", seeds.tables(), partial(take_source, folder / "x.csv"), 14.0, channels, containers.repacked
        ),
        Target(
            "igc",
            seeds.igc_files(),
            partial(take_source, folder / "x.igc"),
            14.0,
            (b"HFDTE", b"LAD", b"A"),
            containers.repacked,
        ),
        Target(
            "bus recording",
            seeds.bus_recordings(),
            partial(take_source, folder / "x.log"),
            8.0,
            _words_of(*seeds.bus_recordings()),
        ),
        Target(
            "nmea",
            seeds.sentences(),
            _receiver,
            12.0,
            (b"$", b"*", b"\r\n", b"GNRMC", b"GAGSA"),
            _right_checksums,
        ),
        Target("settings", seeds.settings_files(), partial(take_settings, folder / "x.toml"), 5.0, keys),
        Target("glider", seeds.gliders(), partial(take_glider, seeds.SETTINGS.decode()), 6.0, keys),
        Target("change in flight", seeds.settings_files(), partial(take_change, loaded, glider), 3.0, keys),
        Target("scenario", seeds.scenarios(), partial(take_scenario, folder / "s.toml"), 2.0, keys),
        Target("quantity", [b"1.5 m/s", b"90 km/h", b"-3 deg"], _quantity, 3.0, (b"kt", b"ft/min", b" ")),
        Target(
            "address", [b"tcp:127.0.0.1:10110", b"udp:[::1]:2000", b"serial:/dev/ttyS0@4800"], _address, 2.0
        ),
        Target("flight", seeds.tables()[:1], partial(take_flight, folder / "f.csv", loaded), 1.0, channels),
    ]
    chips = [
        Target(
            f"chip {chip}",
            [*([b"\0" + s for s in seeds.registers(chip)]), *_DAMAGES],
            partial(_chip, chip),
            1.0,
        )
        for chip in seeds.CHIP_NAMES
    ]
    tables = [
        Target("table with a map", logs.tables(), partial(logs.with_map, folder / "t.csv", read_source), 5.0),
        Target(
            "map of a table",
            logs.maps(),
            partial(logs.by_map, folder / "m.csv", read_source),
            5.0,
            logs.WORDS,
        ),
    ]
    foreign = [
        Target(name, examples, partial(take_source, folder / f"{name}.x"), 5.0)
        for name, examples in logs.files().items()
    ]
    return found + chips + tables + foreign


# --- texts ----------------------------------------------------------------------------------------


def _quantity(data: bytes) -> str:
    text = data.decode("utf-8", "replace")
    found = set()
    for dimension in DIMENSIONS:
        try:
            value = parse(text, dimension)
        except QuantityError as error:
            found.add(form_of(str(error))[:40])
            continue
        if not math.isfinite(value):
            raise UntrueError(f"{text!r} is {value}")
        found.add(dimension.name)
    return " ".join(sorted(found))[:160]


def _address(data: bytes) -> str:
    return type(parse_address(data.decode("utf-8", "replace"))).__name__


# --- chips and lines ------------------------------------------------------------------------------


def _again_and_again(data: bytes) -> Callable[[int], bytes]:
    """Gives the bytes one after the other, and starts again at their end."""
    rest = cycle(data or b"\0")
    return lambda length: bytes(islice(rest, length))


_DAMAGES = [b"\xff\xb4" + bytes(20 * n) + bytes(range(0x80, 0x100)) for n in range(4)]


class _Damaged(FakeBus):
    """A bus with a fake chip, whose answers are damaged according to the bytes."""

    def __init__(self, clock: FakeClock, data: bytes) -> None:
        super().__init__(clock)
        self._next = iter(data)

    def read(self, address: int, length: int) -> bytes:
        """What the chip says, or something else."""
        return self._damaged(super().read(address, length), address)

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        """What the chip says, or something else."""
        return self._damaged(super().write_read(address, data, length), address)

    def _damaged(self, answer: bytes, address: int) -> bytes:
        how = next(self._next, 0)
        if how < 0x80:
            return answer
        changed = bytearray(answer)
        if how < 0xC0:
            changed[how % len(changed)] ^= next(self._next, 1)
        elif how < 0xE0:
            for place in range(len(changed)):
                changed[place] = next(self._next, 0)
        elif how < 0xF0:
            changed[:] = (b"\xff" if how & 1 else b"\0") * len(changed)
        else:
            raise error_of(OSError(_BUS_ERRORS[how % len(_BUS_ERRORS)], "so it says"), self.name, address)
        return bytes(changed)


_BUS_ERRORS = (errno.EREMOTEIO, errno.ETIMEDOUT, errno.EPROTO, errno.ENODEV, errno.EIO)


def _chip(chip: str, data: bytes) -> str:
    """Most cases damage the answers of a chip; some replace all answers by their bytes."""
    clock = FakeClock()
    channels = [*CHIPS[chip].channels, *CHIPS[chip].extra]
    bus: Bus
    if data[:1] < b"\x40":
        bus = Babble(_again_and_again(data[1:]), identity_of(chip) if data[:1] < b"\x30" else {})
    else:
        bus = _Damaged(clock, data[2:])
        static_pa = 10_000.0 + 430.0 * data[1] if len(data) > 1 else 90_000.0
        bus.attach(fake(chip, World(static_pa=static_pa, impact_pa=100.0), clock))
    driver = build(chip, bus, channels=channels)
    driver.on_sample(Baro(0.0, 80_000.0))
    return _polled(driver, 16, clock)


class _Line:
    """A serial line that delivers the bytes once, in pieces."""

    name = "fuzz"

    def __init__(self, data: bytes) -> None:
        self._rest = data or b"\0"

    def set_baud(self, baud: int) -> None:
        """Any speed."""

    def read(self) -> bytes:
        """The next piece."""
        piece, self._rest = self._rest[:97], self._rest[97:]
        return piece

    def close(self) -> None:
        """Nothing to close."""


def _receiver(data: bytes) -> str:
    receiver = GnssReceiver(_Line(data), 9600)
    said = _polled(receiver, 10 + len(data) // 97)
    status = receiver.status
    return f"{said} {status.dimensions} {status.has_fix} {receiver.utc_at_zero is not None}"


def _polled(sensor: Sensor, times: int, clock: FakeClock | None = None) -> str:
    sensor.start(0.0)
    found = set()
    for _ in range(times):
        now_s = sensor.due_s
        if now_s == NEVER_S:
            break
        if clock is not None:
            clock.now_s = now_s
        try:
            for sample in sensor.poll(now_s):
                check(sample)
                if sample.t_s > now_s:
                    raise UntrueError(f"{sample!r}: later than {now_s}")
                found.add(type(sample).__name__)
        except SensorError as error:
            found.add(f"{type(error).__name__} {form_of(error.problem)[:50]}")
    return " ".join(sorted(found))


def _right_checksums(_: Random, data: bytes) -> bytes:
    """Correct the checksum of every sentence."""
    lines = data.split(b"\n")
    for place, line in enumerate(lines):
        start, star = line.find(b"$"), line.rfind(b"*")
        if 0 <= start < star:
            lines[place] = b"%s*%02X\r" % (line[:star], checksum(line[start + 1 : star]))
    return b"\n".join(lines)


def _words_of(*examples: bytes) -> tuple[bytes, ...]:
    found: set[bytes] = set()
    for example in examples:
        found.update(re.findall(rb"[A-Za-z_]{2,30}", example))
        found.update(line for line in example.split(b"\n") if 3 < len(line) < 60)
    return tuple(sorted(found))
