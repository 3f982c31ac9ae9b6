"""Fake motion chips: they scale by the ranges that were written to them, and sleep until woken."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable

from drivers.fakes.bus import RegisterChip
from drivers.isa import CELSIUS_ZERO_K, G0_MPS2


class FakeImu(RegisterChip):
    """The common part of the fake motion chips."""

    ORDER = ">"
    _index = -1

    def counts(self, counts_per_g: float, counts_per_dps: float) -> tuple[bytes, bytes]:
        """Three words of specific force and of angular rate, clipped at the ends."""
        force = (self.noisy(value, "imu_accel") / G0_MPS2 * counts_per_g for value in self.world.accel_mps2)
        rate = (
            math.degrees(self.noisy(value, "imu_gyro")) * counts_per_dps for value in self.world.gyro_radps
        )
        return self._pack(force), self._pack(rate)

    def _pack(self, values: Iterable[float]) -> bytes:
        return struct.pack(f"{self.ORDER}3h", *(max(-32768, min(32767, round(v))) for v in values))

    def fresh(self, period_s: float) -> bool:
        """Whether another period has begun since the last fresh reading."""
        index = math.floor(max(0.0, self.clock() - self.late_s) / period_s)
        was, self._index = self._index, index
        return index != was


class FakeMpu6xxx(FakeImu):
    """MPU-6050, MPU-6500 or MPU-9250."""

    STANDS_FOR = ("MPU-6050", "MPU-6500", "MPU-9250")

    def reset(self) -> None:
        """Asleep."""
        self.memory[0x6B] = 0x40

    def written(self, register: int, value: int) -> None:
        """Reset on command."""
        if register == 0x6B and value & 0x80:
            self.power_on()

    def about_to_read(self, register: int, length: int) -> None:
        """The latest data, if awake."""
        if register <= 0x3A < register + length and not self.memory[0x6B] & 0x40:
            self.memory[0x3A] = int(self.fresh((1 + self.memory[0x19]) * 1e-3)) & self.memory[0x38]
            full_g = 2 << (self.memory[0x1C] >> 3 & 3)
            full_dps = 250 << (self.memory[0x1B] >> 3 & 3)
            force, rate = self.counts(32768 / full_g, 131.0 * 250 / full_dps)
            celsius = self.world.air_k - CELSIUS_ZERO_K
            temperature = round((celsius - 36.53) * 340).to_bytes(2, "big", signed=True)
            self.store(0x3B, force + temperature + rate)

    def was_read(self, register: int, length: int) -> None:
        """Reading the status clears it."""
        if register <= 0x3A < register + length:
            self.memory[0x3A] = 0


class FakeIcm20948(FakeImu):
    """ICM-20948: four banks of registers behind one address."""

    STANDS_FOR = ("ICM-20948",)

    def reset(self) -> None:
        """Asleep, bank 0."""
        self._banks = [bytearray(256) for _ in range(4)]
        self.memory = self._banks[0]
        self.memory[0x06] = 0x41

    def written(self, register: int, value: int) -> None:
        """Switch banks, reset."""
        if register == 0x7F:
            self.memory = self._banks[value >> 4 & 3]
        if register == 0x06 and value & 0x80 and self.memory is self._banks[0]:
            self.power_on()

    def read(self, length: int) -> bytes:
        """From the bank selected; the identity is in bank 0 only."""
        if self.memory is self._banks[0]:
            return super().read(length)
        return bytes(self.memory[self._pointer : self._pointer + length])

    def about_to_read(self, register: int, length: int) -> None:
        """The latest data, if awake."""
        if self.memory[0x06] & 0x40:
            return
        if register <= 0x1A < register + length:
            self.memory[0x1A] = int(self.fresh(1 / 1125)) & self.memory[0x11]
        if register <= 0x2D < register + length:
            full_g = 2 << (self._banks[2][0x14] >> 1 & 3)
            full_dps = 250 << (self._banks[2][0x01] >> 1 & 3)
            force, rate = self.counts(32768 / full_g, 131.0 * 250 / full_dps)
            self.store(0x2D, force + rate)


class FakeLsm6dso(FakeImu):
    """LSM6DSO or LSM6DSOX."""

    STANDS_FOR = ("LSM6DSO", "LSM6DSOX")
    ORDER = "<"
    FULL_G = (2, 16, 4, 8)
    MDPS = (8.75, 17.5, 35.0, 70.0)

    def written(self, register: int, value: int) -> None:
        """Reset on command."""
        if register == 0x12 and value & 1:
            self.power_on()

    def about_to_read(self, register: int, length: int) -> None:
        """The latest data, if switched on."""
        force_on, rate_on = self.memory[0x10] >> 4, self.memory[0x11] >> 4
        if register <= 0x1E < register + length and force_on and rate_on:
            self.memory[0x1E] = 0x07 if self.fresh(1 / 416) else 0
            milli_g = 0.061 * self.FULL_G[self.memory[0x10] >> 2 & 3] / 2
            force, rate = self.counts(1000 / milli_g, 1000 / self.MDPS[self.memory[0x11] >> 2 & 3])
            self.store(0x22, rate + force)
