"""The chips this project drives: by name, with what they give; building a driver; looking who is on a bus.

driver = build("MS5611", bus, address=0x77, rate_hz=50.0)
for found in scan(bus): print(found)
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass
from types import MappingProxyType

from drivers import (
    bmp3xx,
    bmp280,
    bmp581,
    dps310,
    icm20948,
    ina219,
    lps22hb,
    lsm6dso,
    mpu6xxx,
    ms56xx,
    ms4525do,
    sdp3x,
    tmp117,
)
from drivers.bus import Bus
from drivers.chip import Chip, ChipSpec
from drivers.errors import NoAnswerError

_FAMILIES: tuple[tuple[type[Chip], tuple[ChipSpec, ...]], ...] = (
    (ms56xx.Ms56xx, (ms56xx.MS5611, ms56xx.MS5607)),
    (bmp280.Bmp280, (bmp280.BMP280, bmp280.BME280)),
    (bmp3xx.Bmp3xx, (bmp3xx.BMP388, bmp3xx.BMP390)),
    (bmp581.Bmp581, (bmp581.BMP581,)),
    (dps310.Dps310, (dps310.DPS310,)),
    (lps22hb.Lps22hb, (lps22hb.LPS22HB,)),
    (mpu6xxx.Mpu6xxx, (mpu6xxx.MPU6050, mpu6xxx.MPU6500, mpu6xxx.MPU9250)),
    (icm20948.Icm20948, (icm20948.ICM20948,)),
    (lsm6dso.Lsm6dso, (lsm6dso.LSM6DSO, lsm6dso.LSM6DSOX)),
    (ms4525do.Ms4525do, (ms4525do.MS4525DO,)),
    (sdp3x.Sdp3x, (sdp3x.SDP31, sdp3x.SDP33)),
    (tmp117.Tmp117, (tmp117.TMP117,)),
    (ina219.Ina219, (ina219.INA219,)),
)

CHIPS: Mapping[str, ChipSpec] = MappingProxyType(
    {spec.name: spec for _, specs in _FAMILIES for spec in specs}
)
"""Every chip by the name that settings use."""

_DRIVERS: Mapping[str, type[Chip]] = {spec.name: driver for driver, specs in _FAMILIES for spec in specs}


def build(
    chip: str,
    bus: Bus,
    address: int | None = None,
    rate_hz: float | None = None,
    channels: Collection[str] | None = None,
) -> Chip:
    """A driver of a chip; None takes what is usual for it.

    Raises:
        ValueError: if there is no such chip, or it cannot have the address, rate or channels.
    """
    if chip not in CHIPS:
        near = difflib.get_close_matches(chip.upper(), CHIPS, n=1, cutoff=0.6)
        hint = f"did you mean {near[0]!r}?" if near else f"expected one of {', '.join(CHIPS)}"
        raise ValueError(f"unknown chip {chip!r} ({hint})")
    return _DRIVERS[chip](CHIPS[chip], bus, address, rate_hz, channels)


@dataclass(frozen=True, slots=True)
class Found:
    """Something that answers on a bus.

    Attributes:
        address: where.
        chips: what it can be: one name, several where nothing tells them apart, none if unknown.
        detail: what was read, for people.
    """

    address: int
    chips: tuple[str, ...]
    detail: str


def scan(bus: Bus) -> list[Found]:
    """Who answers at the addresses any known chip can have.

    Identities are read, nothing is measured or waited for. Chips without an identity (MS5611 and MS5607,
    MS4525DO, SDP3x) are told by the form of what they answer, or only by their address.

    Raises:
        BusStuckError: if the bus does not come free; nothing can be said about any chip then.
        UnavailableError: if the bus has gone.
    """
    found = []
    for address in sorted({address for spec in CHIPS.values() for address in spec.addresses}):
        at = _at(bus, address)
        if at is not None:
            found.append(at)
    return found


@dataclass(frozen=True, slots=True)
class _Identity:
    """How a chip says who it is."""

    register: int
    length: int
    names: Mapping[int, tuple[str, ...]]
    mask: int = -1  # of the bits that say it; others are a revision


def _one_byte(register: int, names: Mapping[int, str]) -> _Identity:
    return _Identity(register, 1, {value: tuple(name.split(" or ")) for value, name in names.items()})


_BAROMETERS = (
    _one_byte(bmp280.Reg.ID, bmp280.IDS),
    _one_byte(dps310.Reg.ID, dps310.IDS),
    _one_byte(bmp3xx.Reg.ID, bmp3xx.IDS),
)
_IDENTITIES: Mapping[int, tuple[_Identity, ...]] = {
    # Of all identities of an address the one most certain comes first.
    **dict.fromkeys(bmp280.BMP280.addresses, _BAROMETERS),
    **dict.fromkeys(bmp581.BMP581.addresses, (_one_byte(bmp581.Reg.ID, bmp581.IDS),)),
    **dict.fromkeys(lps22hb.LPS22HB.addresses, (_one_byte(lps22hb.Reg.ID, lps22hb.IDS),)),
    **dict.fromkeys(
        mpu6xxx.MPU6050.addresses,
        (_one_byte(mpu6xxx.Reg.ID, mpu6xxx.IDS), _one_byte(icm20948.Reg.ID, icm20948.IDS)),
    ),
    **dict.fromkeys(lsm6dso.LSM6DSO.addresses, (_one_byte(lsm6dso.Reg.ID, lsm6dso.IDS),)),
    **dict.fromkeys(
        tmp117.TMP117.addresses,
        (_Identity(tmp117.Reg.ID, 2, {tmp117.DEVICE_ID: ("TMP117",)}, tmp117.ID_MASK),),
    ),
}


def _at(bus: Bus, address: int) -> Found | None:
    """What is at an address; None if nothing answers."""
    if not _answers(bus, address):
        return None
    by_prom = _by_prom(bus, address)
    if by_prom is not None:
        return by_prom
    read: list[str] = []
    names: list[str] = []
    for identity in _IDENTITIES.get(address, ()):
        with suppress(NoAnswerError):
            raw = bus.write_read(address, bytes([identity.register]), identity.length)
            read.append(f"register 0x{identity.register:02X} reads 0x{raw.hex().upper()}")
            names += identity.names.get(int.from_bytes(raw, "big") & identity.mask, ())
    if names:
        return Found(address, tuple(names), ", ".join(read))
    return _by_address(address) or Found(address, (), ", ".join(read) or "answers")


def _answers(bus: Bus, address: int) -> bool:
    """Whether anything acknowledges; an SDP3x that does not measure lets itself be written to only."""
    attempts: list[Callable[[], object]] = [lambda: bus.read(address, 1)]
    if address in sdp3x.SDP31.addresses:
        attempts.append(lambda: bus.write(address, sdp3x.STOP))
    for attempt in attempts:
        with suppress(NoAnswerError):
            attempt()
            return True
    return False


def _by_prom(bus: Bus, address: int) -> Found | None:
    """An MS5611 or MS5607, which have no identity but a checksum over their constants."""
    if address not in ms56xx.MS5611.addresses:
        return None
    try:
        prom = ms56xx.read_prom(bus, address)
    except NoAnswerError:
        return None
    return (
        Found(address, ("MS5611", "MS5607"), "its PROM has a good checksum") if ms56xx.is_good(prom) else None
    )


def _by_address(address: int) -> Found | None:
    """A chip that has nothing but its address."""
    names = tuple(
        spec.name
        for spec in CHIPS.values()
        if address in spec.addresses and spec.name in {"MS4525DO", "SDP31", "SDP33", "INA219"}
    )
    return Found(address, names, "has no identity; this is by its address only") if names else None
