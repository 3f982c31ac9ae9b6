"""LSM6DSO and LSM6DSOX motion sensors (STMicroelectronics). Both answer alike.

They run at 416 Hz behind low-pass filters of about 42 Hz; a reading takes the latest.

Source: DS12140 (ranges, 70 mdps/LSB at 2000 °/s, 0.061 mg/LSB at 2 g). No worked example.
"""

from __future__ import annotations

import struct
from enum import IntEnum

from drivers.chip import ChipSpec, Identity
from drivers.imu import RADPS_PER_DPS, Imu, accel_mps2, gyro_radps, sample_sigma
from drivers.isa import G0_MPS2
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map."""

    ID = 0x0F
    CTRL1_XL = 0x10
    CTRL2_G = 0x11
    CTRL3_C = 0x12
    CTRL4_C = 0x13
    CTRL6_C = 0x15
    CTRL8_XL = 0x17
    STATUS = 0x1E
    DATA = 0x22  # rate 3 words, force 3 words, low byte first


SOFT_RESET = 0x01
DATA_READY = 0x03  # both

SETTINGS = (
    (Reg.CTRL3_C, 1 << 6 | 1 << 2),  # a reading is all of one instant; addresses count up
    (Reg.CTRL1_XL, 6 << 4 | 3 << 2 | 1 << 1),  # 416 Hz, ±8 g, second low-pass
    (Reg.CTRL8_XL, 1 << 5),  # which is a tenth of the rate
    (Reg.CTRL4_C, 1 << 1),  # low-pass of the gyro
    (Reg.CTRL6_C, 5),  # at about 43 Hz
    (Reg.CTRL2_G, 6 << 4 | 1 << 2),  # 416 Hz, ±500 °/s
)
RESET_S = 0.020
START_S = 0.100
BANDWIDTH_HZ = 42.0


def _spec(name: str) -> ChipSpec:
    return ChipSpec(
        name=name,
        kind="motion",
        addresses=(0x6A, 0x6B),
        channels=("imu_accel", "imu_gyro"),
        rate_hz=100.0,
        max_rate_hz=200.0,
        noise={
            "imu_accel": sample_sigma(110e-6 * G0_MPS2, BANDWIDTH_HZ),
            "imu_gyro": sample_sigma(0.0038 * RADPS_PER_DPS, BANDWIDTH_HZ),
        },
        delay_s=0.006,
        source="DS12140; 110 µg/√Hz at ±8 g and 3.8 mdps/√Hz behind about 42 Hz",
        identity=Identity(Reg.ID, 0x6C),
        unverified="Filter bits, noise, scales at these ranges; delay estimated; rest read in public drivers",
    )


LSM6DSO = _spec("LSM6DSO")
LSM6DSOX = _spec("LSM6DSOX")


class Lsm6dso(Imu):
    """Driver of both."""

    SPECS = (LSM6DSO, LSM6DSOX)

    ACCEL_MPS2 = accel_mps2(1000.0 / 0.244)
    GYRO_RADPS = gyro_radps(1000.0 / 17.5)
    WORDS = struct.Struct("<6h")

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, configure."""
        self.expect_identity()
        self.put(Reg.CTRL3_C, SOFT_RESET)
        now_s = yield now_s + RESET_S
        self.configure(SETTINGS)
        yield now_s + START_S

    def read(self) -> tuple[bool, bytes, bytes]:
        """Flag and data in one transfer."""
        raw = self.get(Reg.STATUS, 16)
        return raw[0] & DATA_READY == DATA_READY, raw[10:16], raw[4:10]
