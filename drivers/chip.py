"""The common part of all chips on the I²C bus: the entry in the catalogue, and access to registers."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import field
from typing import ClassVar

from drivers.bus import Bus
from drivers.errors import BadCalibrationError, StaleDataError, WrongChipError
from drivers.isa import CELSIUS_ZERO_K
from drivers.quick import dataclass
from drivers.samples import Oat, whole_ns
from drivers.sensor import Driver, SensorIdentity

LEAST_RATE_HZ = 0.01
"""Lowest rate, so that the time between two cycles is finite."""


KINDS = ("barometer", "motion", "airspeed", "outside air temperature", "supply voltage")
"""The kinds of chips, in the order of the documentation."""


@dataclass(frozen=True, slots=True)
class Identity:
    """The identity register of a chip.

    Attributes:
        register: its address.
        value: what it holds.
        length: its length in bytes, high byte first.
        mask: the bits that identify the chip; the others are a revision.
    """

    register: int
    value: int
    length: int = 1
    mask: int = -1

    def read(self, bus: Bus, address: int) -> int:
        """The present value of the register, all bits."""
        return int.from_bytes(bus.write_read(address, bytes([self.register]), self.length), "big")

    def matches(self, value: int) -> bool:
        """Whether a value of the register identifies this chip."""
        return value & self.mask == self.value


@dataclass(frozen=True, slots=True)
class ChipSpec:
    """One chip as its datasheet describes it, with the source of each value.

    Attributes:
        name: as printed on the chip.
        kind: one of `KINDS`.
        addresses: 7-bit I²C addresses it can have, the usual one first.
        channels: the channels that it gives by default.
        extra: the channels that it gives on request (the temperature of a barometer as `oat`).
        rate_hz: cycles per second by default.
        max_rate_hz: the highest rate that its conversions permit at the settings used here.
        noise: by channel, one standard deviation of a sample at these settings, in the channel's unit.
        delay_s: from the event to its reading; the driver subtracts it from the time of the samples.
        source: the datasheet, and the source of the noise.
        example: the published worked example with which its arithmetic is tested; None: there is none.
        unverified: the registers and constants that nobody has compared with a datasheet yet.
        identity: its identity register. None: the chip has none.
    """

    name: str
    kind: str
    addresses: tuple[int, ...]
    channels: tuple[str, ...]
    rate_hz: float
    max_rate_hz: float
    source: str
    unverified: str
    example: str | None = None
    noise: Mapping[str, float] = field(default_factory=dict)
    extra: tuple[str, ...] = ()
    delay_s: float = 0.0
    identity: Identity | None = None


class Chip(Driver):
    """A driver of one chip on a bus.

    Args:
        spec: the chip.
        bus: its bus.
        address: its 7-bit address; None: the usual one.
        rate_hz: cycles per second; None: the usual rate.
        channels: the channels that it must give, of `spec.channels` and `spec.extra`.

    Raises:
        ValueError: if the chip cannot have the address, reach the rate or give a channel.
    """

    SPECS: ClassVar[tuple[ChipSpec, ...]] = ()
    """The chips of a driver. A class without chips is a base class of drivers."""

    KNOWN_BY_ADDRESS: ClassVar[bool] = False
    """Only the address identifies the chips: they have neither an identity nor a checksum."""

    ACCEPTED_WHEN_IDLE: ClassVar[bytes | None] = None
    """A harmless write that the chip acknowledges even when it refuses reads. None: it never refuses."""

    OWN_TEMPERATURE_S = 1.0
    """Interval at which a barometer gives its own temperature, which follows that of the case."""

    FROZEN_AFTER_S = 2.0
    """Readings equal to the last bit for this long mean a hung chip, where a driver asks for it."""

    def __init__(
        self,
        spec: ChipSpec,
        bus: Bus,
        address: int | None = None,
        rate_hz: float | None = None,
        channels: Collection[str] | None = None,
    ) -> None:
        self.spec = spec
        self.bus = bus
        self.address = spec.addresses[0] if address is None else address
        rate = spec.rate_hz if rate_hz is None else rate_hz
        chosen = tuple(spec.channels if channels is None else channels)
        _check(spec, self.address, rate, chosen)
        super().__init__(
            SensorIdentity(
                spec.name,
                f"{bus.name} 0x{self.address:02X}",
                chosen,
                rate,
                {name: sigma for name, sigma in spec.noise.items() if name in chosen},
                spec.delay_s,
            )
        )
        self._last_raw = b""
        self._unchanged = 0
        self._temperature_s = -math.inf

    @property
    def build_args(self) -> Mapping[str, object]:
        """The arguments of `registry.build`, and the name of the bus."""
        return {
            "chip": self.spec.name,
            "bus": self.bus.name,
            "address": self.address,
            "rate_hz": self.identity.rate_hz,
            "channels": list(self.identity.channels),
        }

    def get(self, register: int, length: int = 1) -> bytes:
        """Read registers from `register` on."""
        return self.bus.write_read(self.address, bytes([register]), length)

    def put(self, register: int, *values: int) -> None:
        """Write registers from `register` on."""
        self.bus.write(self.address, bytes([register, *values]))

    def get_word(self, register: int) -> int:
        """Read a register of two bytes, the high one first."""
        return int.from_bytes(self.get(register, 2), "big")

    def put_word(self, register: int, value: int) -> None:
        """Write a register of two bytes, the high one first."""
        self.put(register, value >> 8, value & 0xFF)

    def configure(self, settings: Collection[tuple[int, int]]) -> None:
        """Write registers, each (register, value), and check them by reading back.

        Raises:
            WrongChipError: if a register reads back another value.
        """
        for register, value in settings:
            self.put(register, value)
        for register, value in settings:
            (found,) = self.get(register)
            if found != value:
                raise WrongChipError(
                    f"register 0x{register:02X} reads 0x{found:02X} after 0x{value:02X} was written",
                    "A garbled transfer, or an imitation of the chip",
                )

    def expect_identity(self) -> None:
        """Check that the identity register contains the value of this chip.

        Raises:
            WrongChipError: if it does not.
        """
        identity = self.spec.identity
        assert identity is not None, f"{self.spec.name} has no identity register"  # noqa: S101  (a driver's mistake)
        found = identity.read(self.bus, self.address)
        if not identity.matches(found):
            digits = 2 * identity.length
            alike = " or ".join(spec.name for spec in self.SPECS if spec.identity == identity)
            raise WrongChipError(
                f"identity register 0x{identity.register:02X} reads 0x{found:0{digits}X}, "
                f"expected 0x{identity.value:0{digits}X} ({alike})",
                "Another chip is at this address: correct the settings, or look at the module's marking",
            )

    @classmethod
    def recognize(cls, bus: Bus, address: int) -> str | None:  # noqa: ARG003  (for subclasses)
        """Evidence, stronger than an identity register, that one of these chips is at an address, or None."""
        return None

    def expect_constants(self, raw: bytes) -> None:
        """Check that the factory constants are not those of an empty or defective chip.

        Raises:
            BadCalibrationError: if they are all zeros or all ones.
        """
        if raw in (bytes(len(raw)), b"\xff" * len(raw)):
            raise BadCalibrationError(
                f"its factory constants are all 0x{raw[0]:02X}",
                "SDA is held, or the chip is broken",
            )

    def emit_own_temperature(self, t_s: float, celsius: float) -> None:
        """Emit the temperature of a barometer, unless the last one is younger than `OWN_TEMPERATURE_S`."""
        if not 0.0 <= t_s - self._temperature_s < self.OWN_TEMPERATURE_S:
            self._temperature_s = t_s
            self.emit(Oat(t_s, celsius + CELSIUS_ZERO_K))

    def read_at_s(self, now_s: float) -> float:
        """The time of the event that is read now, as a recording stores it."""
        return whole_ns(max(0.0, now_s - self.spec.delay_s))

    def expect_change(self, raw: bytes) -> None:
        """Check that raw readings still change: in a working chip, noise alone changes the last bits.

        Raises:
            StaleDataError: if at least five readings in a row, over `FROZEN_AFTER_S`, are equal.
        """
        if raw != self._last_raw:
            self._unchanged, self._last_raw = 0, raw
            return
        self._unchanged += 1
        most = max(5.0, self.FROZEN_AFTER_S * self.identity.rate_hz)
        if self._unchanged >= most:
            self._unchanged = 0
            raise StaleDataError(
                f"the reading {raw.hex(' ')} has not changed for {most / self.identity.rate_hz:g} s",
                "The chip hangs, or lost its supply for a moment",
            )


def signed(value: int, bits: int) -> int:
    """A two's complement number of `bits` bits."""
    return value - (1 << bits) if value >> (bits - 1) & 1 else value


def _check(spec: ChipSpec, address: int, rate_hz: float, channels: tuple[str, ...]) -> None:
    if address not in spec.addresses:
        possible = ", ".join(f"0x{a:02X}" for a in spec.addresses)
        raise ValueError(f"{spec.name}: address 0x{address:02X}; it can have {possible}")
    if not LEAST_RATE_HZ <= rate_hz <= spec.max_rate_hz:
        possible_rates = f"{LEAST_RATE_HZ:g} to {spec.max_rate_hz:g} Hz"
        raise ValueError(f"{spec.name}: rate {rate_hz:g} Hz; it can do {possible_rates}")
    possible_channels = spec.channels + spec.extra
    wrong = [name for name in channels if name not in possible_channels]
    if wrong or not channels:
        named = ", ".join(wrong) if wrong else "none"
        raise ValueError(f"{spec.name}: channel {named}; it can give {', '.join(possible_channels)}")
