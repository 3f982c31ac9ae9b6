"""ICM-20948 motion sensor (TDK InvenSense); its magnetometer is not used.

It runs at 1.1 kHz behind its 51 Hz low-pass; a reading takes the latest. Registers lie in banks.

Source: DS-000189 r1.3: table 2 (ranges, accelerometer noise), register map. No worked example.
"""

from __future__ import annotations

from enum import IntEnum

from drivers.chip import ChipSpec, Identity
from drivers.imu import RADPS_PER_DPS, Imu, accel_mps2, gyro_radps, sample_sigma
from drivers.isa import G0_MPS2
from drivers.sensor import DriverCoroutine

BANK = 0x7F  # in every bank; the number in the high half of the byte


class Reg(IntEnum):
    """Register map of bank 0."""

    ID = 0x00
    PWR_MGMT_1 = 0x06
    INT_ENABLE_1 = 0x11
    INT_STATUS_1 = 0x1A
    DATA = 0x2D  # force 3 words, rate 3 words, high byte first


class Bank2(IntEnum):
    """Register map of bank 2."""

    GYRO_SMPLRT_DIV = 0x00
    GYRO_CONFIG_1 = 0x01
    ACCEL_SMPLRT_DIV_1 = 0x10
    ACCEL_SMPLRT_DIV_2 = 0x11
    ACCEL_CONFIG = 0x14


RESET = 0x80
WAKE = 0x01  # best clock available
DATA_READY = 0x01

SETTINGS = (
    (Bank2.GYRO_SMPLRT_DIV, 0),  # 1125 Hz
    (Bank2.GYRO_CONFIG_1, 3 << 3 | 1 << 1 | 1),  # low-pass 51.2 Hz, ±500 °/s
    (Bank2.ACCEL_SMPLRT_DIV_1, 0),
    (Bank2.ACCEL_SMPLRT_DIV_2, 0),
    (Bank2.ACCEL_CONFIG, 3 << 3 | 2 << 1 | 1),  # low-pass 50.4 Hz, ±8 g
)
RESET_S = 0.100
WAKE_S = 0.050

ICM20948 = ChipSpec(
    name="ICM-20948",
    kind="motion",
    addresses=(0x69, 0x68),
    channels=("imu_accel", "imu_gyro"),
    rate_hz=100.0,
    max_rate_hz=500.0,
    noise={
        "imu_accel": sample_sigma(230e-6 * G0_MPS2, 50.4),
        "imu_gyro": sample_sigma(0.015 * RADPS_PER_DPS, 51.2),
    },
    delay_s=0.0035,
    source="DS-000189 r1.3: 230 µg/√Hz behind 50 Hz; 0.015 °/s/√Hz from memory",
    identity=Identity(Reg.ID, 0xEA),
    unverified="Identity, settings bits, gyro scale and noise; delay estimated from the bandwidth",
)


class Icm20948(Imu):
    """Driver."""

    SPECS = (ICM20948,)

    ACCEL_MPS2 = accel_mps2(4096.0)
    GYRO_RADPS = gyro_radps(65.5)

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, wake, configure."""
        self.put(BANK, 0)
        self.expect_identity()
        self.put(Reg.PWR_MGMT_1, RESET)
        now_s = yield now_s + RESET_S
        self.put(Reg.PWR_MGMT_1, WAKE)
        now_s = yield now_s + WAKE_S
        self.put(Reg.INT_ENABLE_1, DATA_READY)
        self.put(BANK, 2 << 4)
        self.configure(SETTINGS)
        self.put(BANK, 0)
        yield now_s + WAKE_S

    def read(self) -> tuple[bool, bytes, bytes]:
        """The flag, then the data."""
        (status,) = self.get(Reg.INT_STATUS_1)
        raw = self.get(Reg.DATA, 12)
        return bool(status & DATA_READY), raw[:6], raw[6:]
