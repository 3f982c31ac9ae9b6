"""The supported chips by name; building a driver for one; identifying the chips on a bus.

driver = build("MS5611", bus, address=0x77, rate_hz=50.0)
for found in scan(bus): print(found)
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import suppress
from functools import cache, partial

from drivers import chips
from drivers.bus import Bus
from drivers.chip import KINDS, Chip, ChipSpec, Identity
from drivers.discovery import classes_in
from drivers.errors import NoAnswerError
from drivers.quick import dataclass


@cache
def _drivers(of: str | None = None) -> list[type[Chip]]:
    return classes_in(chips, Chip, of)


class _Catalogue(Mapping[str, ChipSpec]):
    """Every chip by its name, ordered by kind and module.

    A start needs only the modules of the fitted chips: a chip is looked for first in the modules that are
    named like it, and only then in all.
    """

    def __getitem__(self, name: str) -> ChipSpec:
        return next(spec for spec in self.driver_of(name).SPECS if spec.name == name)

    def __iter__(self) -> Iterator[str]:
        specs = [spec for driver in _drivers() for spec in driver.SPECS]
        return iter([spec.name for kind in KINDS for spec in specs if spec.kind == kind])

    def __len__(self) -> int:
        return sum(len(driver.SPECS) for driver in _drivers())

    def driver_of(self, name: str) -> type[Chip]:
        """The driver of a chip; KeyError if there is none."""
        for of in (name.lower().replace("-", ""), None):
            for driver in _drivers(of):
                if any(spec.name == name for spec in driver.SPECS):
                    return driver
        raise KeyError(name)


_CATALOGUE = _Catalogue()

CHIPS: Mapping[str, ChipSpec] = _CATALOGUE
"""Every chip by the name that settings use."""


def build(
    chip: str,
    bus: Bus,
    address: int | None = None,
    rate_hz: float | None = None,
    channels: Collection[str] | None = None,
) -> Chip:
    """A driver of a chip. None stands for the usual value of the chip.

    Raises:
        ValueError: if there is no such chip, or it cannot have the address, rate or channels.
    """
    if chip not in CHIPS:
        from drivers.suggestion import suggestion  # noqa: PLC0415  (only for messages: the start is shorter)

        raise ValueError(f"unknown chip {chip!r} ({suggestion(chip.upper(), CHIPS)})")
    return _CATALOGUE.driver_of(chip)(CHIPS[chip], bus, address, rate_hz, channels)


@dataclass(frozen=True, slots=True)
class Found:
    """A chip that answers on a bus.

    Attributes:
        address: its address.
        chips: names of the chips it can be: one, several where nothing distinguishes them, none if unknown.
        detail: the registers read, as text.
    """

    address: int
    chips: tuple[str, ...]
    detail: str


def scan(bus: Bus) -> list[Found]:
    """The chips that answer at the addresses that any supported chip can have.

    It reads identities; it measures nothing and waits for nothing. Chips without an identity are recognized
    by a checksum (MS5611 and MS5607), or only by their address.

    Raises:
        BusStuckError: if the bus stays busy. Then nothing is known about any chip.
        UnavailableError: if the bus has disappeared.
    """
    found = []
    every = _drivers()
    for address in sorted({address for spec in CHIPS.values() for address in spec.addresses}):
        drivers = [driver for driver in every if any(address in spec.addresses for spec in driver.SPECS)]
        if _answers(bus, address, drivers):
            found.append(_identify(bus, address, drivers))
    return found


def _answers(bus: Bus, address: int, drivers: Collection[type[Chip]]) -> bool:
    """Whether a chip acknowledges a read, or its harmless write (a chip may refuse reads for a moment)."""
    attempts: list[Callable[[], object]] = [partial(bus.read, address, 1)]
    idle = {driver.ACCEPTED_WHEN_IDLE for driver in drivers}
    attempts += [partial(bus.write, address, command) for command in idle if command is not None]
    for attempt in attempts:
        with suppress(NoAnswerError):
            attempt()
            return True
    return False


def _identify(bus: Bus, address: int, drivers: Collection[type[Chip]]) -> Found:
    """The chips that can be at an address that answers."""
    for driver in drivers:
        evidence = driver.recognize(bus, address)
        if evidence is not None:
            return Found(address, tuple(spec.name for spec in driver.SPECS), evidence)
    specs = [spec for driver in drivers for spec in driver.SPECS if address in spec.addresses]
    read: dict[tuple[int, int], int] = {}
    names = []
    for spec, identity in sorted(
        ((spec, spec.identity) for spec in specs if spec.identity is not None), key=_certainty
    ):
        where = identity.register, identity.length
        if where not in read:
            with suppress(NoAnswerError):
                read[where] = identity.read(bus, address)
        if where in read and identity.matches(read[where]):
            names.append(spec.name)
    detail = ", ".join(
        f"register 0x{register:02X} reads 0x{value:0{2 * length}X}"
        for (register, length), value in read.items()
    )
    if names:
        return Found(address, tuple(names), detail)
    unmarked = [spec.name for driver in drivers if driver.KNOWN_BY_ADDRESS for spec in driver.SPECS]
    if unmarked:
        return Found(address, tuple(unmarked), "has no identity register; only its address identifies it")
    return Found(address, (), detail or "answers")


def _certainty(candidate: tuple[ChipSpec, Identity]) -> int:
    """Sort key, the most certain first: a low register of another chip often holds changing data."""
    return -candidate[1].register
