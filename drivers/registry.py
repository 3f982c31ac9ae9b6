"""The chips this project drives: by name, with what they give; building a driver; looking who is on a bus.

driver = build("MS5611", bus, address=0x77, rate_hz=50.0)
for found in scan(bus): print(found)
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
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
