"""A bus of fake chips, its faults, and the common part of fake chips."""

from __future__ import annotations

import errno
import zlib
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import ClassVar, TypeVar

import numpy as np

from drivers.bus import error_of
from drivers.chip import ChipSpec
from drivers.fakes.world import World

TIMEOUT_S = 1.0
"""How long the kernel lets a chip hold the clock."""


class FakeClock:
    """A clock that a test advances."""

    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s

    def __call__(self) -> float:
        """The present time."""
        return self.now_s

    def advance(self, by_s: float) -> None:
        """Advance the clock."""
        self.now_s += by_s


class FakeChip(ABC):
    """A chip on a fake bus.

    Attributes:
        frozen: its data no longer change, although its flags say that they are new.
        late_s: how much longer than usual its conversions take.
        garbled_reads: how many of the next reads have one wrong bit.
    """

    STANDS_FOR: ClassVar[tuple[str, ...]] = ()
    """Names of the chips that it imitates."""

    def __init__(self, spec: ChipSpec, world: World, clock: Callable[[], float]) -> None:
        self.spec = spec
        self.world = world
        self.clock = clock
        self.frozen = False
        self.late_s = 0.0
        self.garbled_reads = 0
        self._powered = True
        self._random = np.random.default_rng(zlib.crc32(spec.name.encode()))
        self.power_on()

    @property
    def powered(self) -> bool:
        """Whether the chip has its supply. Without it the chip does not answer, and loses its state."""
        return self._powered

    @powered.setter
    def powered(self, on: bool) -> None:
        if on and not self._powered:
            self.power_on()
        self._powered = on

    @abstractmethod
    def power_on(self) -> None:
        """Enter the state after power-on."""

    @abstractmethod
    def write(self, data: bytes) -> None:
        """Receive bytes."""

    @abstractmethod
    def read(self, length: int) -> bytes:
        """Give bytes."""

    def noisy(self, value: float, channel: str, otherwise: float = 1.0) -> float:
        """A true value with the noise of the datasheet, or with a usual one if the datasheet states none."""
        sigma = self.spec.noise.get(channel, otherwise) * self.world.noise
        return value + sigma * float(self._random.standard_normal())


AnyFake = TypeVar("AnyFake", bound=FakeChip)


class FakeBus:
    """An I²C bus with fake chips on it.

    Args:
        clock: the clock.
        name: the name for messages.
        wait: called with the duration of a stretched clock, s; by default a `FakeClock` is advanced.

    Attributes:
        stuck: a line is held low; every transfer fails.
        recoverable: whether `recover` frees it.
        stretch_s: how long a chip holds the clock in every transfer.
        transfers: number of transfers so far.
    """

    def __init__(
        self, clock: Callable[[], float], name: str = "fake", wait: Callable[[float], None] | None = None
    ) -> None:
        self.clock = clock
        self.stuck = False
        self.recoverable = True
        self.stretch_s = 0.0
        self.transfers = 0
        self._name = name
        self._chips: dict[int, FakeChip] = {}
        self._wait = wait or (clock.advance if isinstance(clock, FakeClock) else lambda _: None)

    @property
    def name(self) -> str:
        """As given."""
        return self._name

    def attach(self, chip: AnyFake, address: int | None = None) -> AnyFake:
        """Connect a chip at an address (its usual one if None)."""
        self._chips[chip.spec.addresses[0] if address is None else address] = chip
        return chip

    def detach(self, address: int) -> None:
        """Disconnect a chip from the bus and from its supply."""
        self._chips.pop(address).powered = False

    def write(self, address: int, data: bytes) -> None:
        """Send bytes."""
        self._chip(address).write(data)

    def read(self, address: int, length: int) -> bytes:
        """Fetch bytes."""
        return self._fetch(self._chip(address), address, length)

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        """Send bytes, then fetch."""
        chip = self._chip(address)
        chip.write(data)
        return self._fetch(chip, address, length)

    def recover(self) -> None:
        """Free a stuck bus, if that is possible."""
        if self.recoverable:
            self.stuck = False

    def close(self) -> None:
        """Do nothing."""

    def _chip(self, address: int) -> FakeChip:
        self.transfers += 1
        if self.stuck:
            raise error_of(TimeoutError(errno.ETIMEDOUT, "timed out"), self.name, address)
        if self.stretch_s:
            self._wait(min(self.stretch_s, TIMEOUT_S))
            if self.stretch_s > TIMEOUT_S:
                raise error_of(TimeoutError(errno.ETIMEDOUT, "timed out"), self.name, address)
        chip = self._chips.get(address)
        if chip is None or not chip.powered:
            raise error_of(OSError(errno.EREMOTEIO, "no acknowledge"), self.name, address)
        return chip

    def _fetch(self, chip: FakeChip, address: int, length: int) -> bytes:
        try:
            data = bytearray(chip.read(length))
        except OSError as error:  # it does not acknowledge a read now
            raise error_of(error, self.name, address) from error
        if chip.garbled_reads:
            chip.garbled_reads -= 1
            data[0] ^= 0x08
        return bytes(data)


class RegisterChip(FakeChip):
    """A chip with a map of registers; the address counts up within a transfer.

    Attributes:
        identity: the value of its identity register.
    """

    IDENTITY = 0
    """Initial value of `identity` if the chip has no identity register."""

    def __init__(self, spec: ChipSpec, world: World, clock: Callable[[], float]) -> None:
        self.identity = spec.identity.value if spec.identity is not None else self.IDENTITY
        super().__init__(spec, world, clock)

    def power_on(self) -> None:
        """All registers 0 but the identity."""
        self.memory = bytearray(256)
        self._pointer = 0
        self._ready_s: float | None = None
        self.reset()

    def reset(self) -> None:
        """Set the registers that are not 0 after power-on."""

    def write(self, data: bytes) -> None:
        """Receive the register number, then the values for this and the following registers."""
        self._pointer = data[0]
        for offset, value in enumerate(data[1:]):
            register = (self._pointer + offset) & 0xFF
            self.memory[register] = value
            self.written(register, value)

    def read(self, length: int) -> bytes:
        """Give the registers from the last selected one on."""
        if self._ready_s is not None and self.clock() >= self._ready_s:
            self._ready_s = None
            self.converted()
        self.about_to_read(self._pointer, length)
        if self.spec.identity is not None:
            self.memory[self.spec.identity.register] = self.identity
        found = bytes(self.memory[(self._pointer + offset) & 0xFF] for offset in range(length))
        self.was_read(self._pointer, length)
        return found

    def written(self, register: int, value: int) -> None:
        """A register was written."""

    def about_to_read(self, register: int, length: int) -> None:
        """Registers are about to be read."""

    def was_read(self, register: int, length: int) -> None:
        """Registers were read."""

    def converted(self) -> None:
        """A conversion has ended."""

    def convert_for(self, duration_s: float) -> None:
        """Begin a conversion."""
        self._ready_s = self.clock() + duration_s + self.late_s

    def store(self, register: int, data: bytes) -> None:
        """Put bytes into registers, unless frozen."""
        if not self.frozen:
            self.memory[register : register + len(data)] = data
