"""Which fake stands for which chip."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from drivers.fakes import barometers, motion, others
from drivers.fakes.bus import FakeChip
from drivers.fakes.world import World
from drivers.registry import CHIPS

FAKES: Mapping[str, type[FakeChip]] = MappingProxyType(
    {
        "MS5611": barometers.FakeMs56xx,
        "MS5607": barometers.FakeMs56xx,
        "BMP280": barometers.FakeBmp280,
        "BME280": barometers.FakeBmp280,
        "BMP388": barometers.FakeBmp3xx,
        "BMP390": barometers.FakeBmp3xx,
        "BMP581": barometers.FakeBmp581,
        "DPS310": barometers.FakeDps310,
        "LPS22HB": barometers.FakeLps22hb,
        "MPU-6050": motion.FakeMpu6xxx,
        "MPU-6500": motion.FakeMpu6xxx,
        "MPU-9250": motion.FakeMpu6xxx,
        "ICM-20948": motion.FakeIcm20948,
        "LSM6DSO": motion.FakeLsm6dso,
        "LSM6DSOX": motion.FakeLsm6dso,
        "MS4525DO": others.FakeMs4525do,
        "SDP31": others.FakeSdp3x,
        "SDP33": others.FakeSdp3x,
        "TMP117": others.FakeTmp117,
        "INA219": others.FakeIna219,
    }
)


def fake(chip: str, world: World, clock: Callable[[], float]) -> FakeChip:
    """A fake of a chip.

    Raises:
        KeyError: if there is none of that name.
    """
    return FAKES[chip](CHIPS[chip], world, clock)
