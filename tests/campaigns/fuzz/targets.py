"""The targets of the fuzzer: each takes bytes, and gives plausible data or a typed error of the project."""

from __future__ import annotations

import errno
import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import cycle, islice
from pathlib import Path
from random import Random

from drivers.bus import Bus, error_of
from drivers.errors import SensorError
from drivers.events import Mark, SettingsChange
from drivers.fakes import FakeBus, FakeClock, World, fake
from drivers.gnss import GnssReceiver
from drivers.nmea import checksum
from drivers.registry import CHIPS, build
from drivers.samples import CHANNEL_OF, CHANNELS, Baro, Reference, Sample
from drivers.sensor import NEVER_S, Sensor
from hw_replay.errors import RecordingError
from hw_replay.messages import LATEST_T_S
from hw_replay.open import open_source
from tests.campaigns.fuzz import containers, logs, seeds
from tests.campaigns.fuzz.babble import Babble, identity_of
from tests.campaigns.soak.digest import Digest
from vario.app.change.changes import apply_change
from vario.app.replay.player import Player
from vario.app.simulate.file import load_scenario
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.settings.errors import QuantityError, SettingsError
from vario.settings.load import LoadedSettings, load_settings, parse_settings
from vario.settings.output import parse_address
from vario.settings.quantity import DIMENSIONS, parse

TYPED = (RecordingError, SettingsError, SensorError, QuantityError)
"""The base classes of the errors of this project; any other exception is a finding."""

MOST_SAMPLES = 5000
"""More samples than a case of `mutate.LARGEST` bytes can contain."""

NOISE = Noise(1.5, 1.0)

Repair = Callable[[Random, bytes], bytes]


class UntrueError(Exception):
    """A target accepted its bytes and gave implausible data."""


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
            partial(_source, folder / "x.mcap"),
            12.0,
            channels,
            containers.repaired,
        ),
        Target(
            "csv", seeds.tables(), partial(_source, folder / "x.csv"), 14.0, channels, containers.repacked
        ),
        Target(
            "igc",
            seeds.igc_files(),
            partial(_source, folder / "x.igc"),
            14.0,
            (b"HFDTE", b"LAD", b"A"),
            containers.repacked,
        ),
        Target(
            "bus recording",
            seeds.bus_recordings(),
            partial(_source, folder / "x.log"),
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
        Target("settings", seeds.settings_files(), partial(_settings, folder / "x.toml"), 5.0, keys),
        Target("glider", seeds.gliders(), partial(_glider, seeds.SETTINGS.decode()), 6.0, keys),
        Target("change in flight", seeds.settings_files(), partial(_change, loaded, glider), 3.0, keys),
        Target("scenario", seeds.scenarios(), partial(_scenario, folder / "s.toml"), 2.0, keys),
        Target("quantity", [b"1.5 m/s", b"90 km/h", b"-3 deg"], _quantity, 3.0, (b"kt", b"ft/min", b" ")),
        Target(
            "address", [b"tcp:127.0.0.1:10110", b"udp:[::1]:2000", b"serial:/dev/ttyS0@4800"], _address, 2.0
        ),
        Target("flight", seeds.tables()[:1], partial(_flight, folder / "f.csv", loaded), 1.0, channels),
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
        Target(name, examples, partial(_source, folder / f"{name}.x"), 5.0)
        for name, examples in logs.files().items()
    ]
    return found + chips + tables + foreign


def checked(samples: Iterable[Sample]) -> str:
    """Checks that samples are plausible; returns their kinds."""
    kinds: dict[str, int] = {}
    for sample in islice(samples, MOST_SAMPLES):
        check(sample)
        kind = type(sample).__name__
        kinds[kind] = kinds.get(kind, 0) + 1
    return ",".join(f"{kind}{min(count, 3)}" for kind, count in sorted(kinds.items()))


def check(sample: Sample) -> None:
    """Checks that a sample is plausible.

    Raises:
        UntrueError: if it is not.
    """
    if not (isinstance(sample.t_s, float | int) and 0.0 <= sample.t_s <= LATEST_T_S):
        raise UntrueError(f"{sample!r:.200}: its time")
    if isinstance(sample, Reference):
        if not math.isfinite(sample.value):
            raise UntrueError(f"{sample!r:.200}: its value")
    elif not isinstance(sample, SettingsChange | Mark):
        channel = CHANNELS[CHANNEL_OF[type(sample)]]
        for name, (low, high) in channel.limits.items():
            value = getattr(sample, name)
            if value is None and name in channel.optional:
                continue
            if type(value) not in {float, int} or not low <= value <= high:
                raise UntrueError(f"{sample!r:.200}: {name}")


# --- files ----------------------------------------------------------------------------------------


def _source(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    return read_source(path)


def read_source(path: Path) -> str:
    """Reads a recording of any format, checks every sample, and describes the content."""
    source = open_source(path)
    duration_s = source.duration_s
    if duration_s is not None and not 0.0 <= duration_s < math.inf:
        raise UntrueError(f"duration {duration_s}")
    kinds = checked(source)
    said = " ".join(source.warnings())
    if len(said) > 20_000:
        raise UntrueError(f"{len(said)} characters of warnings")
    return f"{source.info.origin}: {kinds}; {source.rejected() > 0} {_form(said)[:120]}"


def warm_up() -> None:
    """Load the modules that are imported at their first use."""
    _usable(parse_settings(seeds.SETTINGS.decode(), "x"))


def _settings(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    return read_settings(path)


def read_settings(path: Path) -> str:
    """Loads settings, and runs the instrument with them for a moment."""
    return _usable(load_settings(path))


def _glider(settings: str, data: bytes) -> str:
    return _usable(parse_settings('glider = "x"\n' + settings, "x", data.decode("utf-8", "replace"), "y"))


def _usable(loaded: LoadedSettings) -> str:
    """Accepted settings must give an instrument that works."""
    player = Player(Pipeline(loaded.settings, loaded.glider, NOISE))
    _readings(player, _BEGINNING)
    return "accepted"


def _change(loaded: LoadedSettings, glider: str, data: bytes) -> str:
    pipeline = Pipeline(loaded.settings, loaded.glider, NOISE)
    text = data.decode("utf-8", "replace")
    refused = apply_change(SettingsChange(1.0, text, glider), pipeline)
    _readings(Player(pipeline), _BEGINNING)
    return "taken" if refused is None else _form(str(refused))[:120]


def _scenario(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    load_scenario(path)
    return "accepted"


_BEGINNING = [
    sample
    for k in range(6)
    for sample in (Baro(1.0 + k / 50.0, 95_000.0 - k), *(s for s in seeds.SAMPLES if k == 2 and s.t_s == 1.0))
]


def _flight(path: Path, loaded: LoadedSettings, data: bytes) -> str:
    """For any recording, the instrument gives finite numbers or nothing."""
    path.write_bytes(data)
    player = Player(Pipeline(loaded.settings, loaded.glider, NOISE))
    return f"{min(_readings(player, islice(open_source(path), 300)), 40)} readings"


def _readings(player: Player, samples: Iterable[Sample]) -> int:
    digest = Digest()
    for sample in samples:
        for reading in player.push(sample):
            digest.add(reading)
    for reading in player.close():
        digest.add(reading)
    if digest.not_finite:
        raise UntrueError(f"{digest.not_finite} numbers in the readings are not finite")
    return digest.readings


# --- texts ----------------------------------------------------------------------------------------


def _quantity(data: bytes) -> str:
    text = data.decode("utf-8", "replace")
    found = set()
    for dimension in DIMENSIONS:
        try:
            value = parse(text, dimension)
        except QuantityError as error:
            found.add(_form(str(error))[:40])
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
            found.add(f"{type(error).__name__} {_form(error.problem)[:50]}")
    return " ".join(sorted(found))


def _right_checksums(_: Random, data: bytes) -> bytes:
    """Correct the checksum of every sentence."""
    lines = data.split(b"\n")
    for place, line in enumerate(lines):
        start, star = line.find(b"$"), line.rfind(b"*")
        if 0 <= start < star:
            lines[place] = b"%s*%02X\r" % (line[:star], checksum(line[start + 1 : star]))
    return b"\n".join(lines)


# --- outcomes -------------------------------------------------------------------------------------

_PARTICULAR = re.compile(r"'[^']*'|\"[^\"]*\"|[-+]?\d[\d.e+-]*|/\S+|0x[0-9A-Fa-f]+")


def _form(text: str) -> str:
    """A message without the parts that depend on the case."""
    return _PARTICULAR.sub("_", text[:400])


def outcome_of_error(error: Exception) -> str:
    """An error in a few words."""
    return f"{type(error).__name__}: {_form(str(error))[:120]}"


def _words_of(*examples: bytes) -> tuple[bytes, ...]:
    found: set[bytes] = set()
    for example in examples:
        found.update(re.findall(rb"[A-Za-z_]{2,30}", example))
        found.update(line for line in example.split(b"\n") if 3 < len(line) < 60)
    return tuple(sorted(found))
