"""MPU-6050, MPU-6500 and MPU-9250 (its motion part) motion sensors (InvenSense).

They run at 1 kHz behind their 44 Hz low-pass; a reading takes the latest.

Source: MPU-6000/6050 Register Map rev. 4.2 and Product Specification; MPU-6500 Register Map for the
separate accelerometer filter. No worked example but the scale of the thermometer.
"""

from __future__ import annotations

from enum import IntEnum

from drivers.chip import ChipSpec, Identity
from drivers.imu import RADPS_PER_DPS, Imu, accel_mps2, gyro_radps, sample_sigma
from drivers.isa import G0_MPS2
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map."""

    SMPLRT_DIV = 0x19
    CONFIG = 0x1A
    GYRO_CONFIG = 0x1B
    ACCEL_CONFIG = 0x1C
    ACCEL_CONFIG2 = 0x1D  # not in the MPU-6050
    INT_ENABLE = 0x38
    INT_STATUS = 0x3A
    DATA = 0x3B  # force 3 words, temperature, rate 3 words, high byte first
    PWR_MGMT_1 = 0x6B
    ID = 0x75


RESET = 0x80
WAKE = 0x01  # clock from the gyro, steadier than the internal one
DATA_READY = 0x01

SETTINGS = (
    (Reg.SMPLRT_DIV, 0),  # 1 kHz
    (Reg.CONFIG, 3),  # low-pass 44 Hz force, 42 Hz rate
    (Reg.GYRO_CONFIG, 1 << 3),  # ±500 °/s
    (Reg.ACCEL_CONFIG, 2 << 3),  # ±8 g
    (Reg.INT_ENABLE, DATA_READY),
)
SETTINGS_6500 = (*SETTINGS, (Reg.ACCEL_CONFIG2, 3))  # its accelerometer has a filter of its own

RESET_S = 0.100
WAKE_S = 0.050

BANDWIDTH_HZ = 44.0
_UNVERIFIED = (
    "Identity, ranges and their scale, filter settings and delay, noise density; data registers and "
    "thermometer scale read"
)


def _spec(name: str, identity: int, accel_ug: float, gyro_dps: float) -> ChipSpec:
    return ChipSpec(
        name=name,
        kind="motion",
        addresses=(0x68, 0x69),
        channels=("imu_accel", "imu_gyro"),
        rate_hz=100.0,
        max_rate_hz=500.0,
        noise={
            "imu_accel": sample_sigma(accel_ug * 1e-6 * G0_MPS2, BANDWIDTH_HZ),
            "imu_gyro": sample_sigma(gyro_dps * RADPS_PER_DPS, BANDWIDTH_HZ),
        },
        delay_s=0.0049,
        source=f"Register map; {accel_ug:g} µg/√Hz and {gyro_dps:g} °/s/√Hz behind {BANDWIDTH_HZ:g} Hz",
        identity=Identity(Reg.ID, identity),
        unverified=_UNVERIFIED,
    )


MPU6050 = _spec("MPU-6050", 0x68, 400.0, 0.005)
MPU6500 = _spec("MPU-6500", 0x70, 300.0, 0.010)
MPU9250 = _spec("MPU-9250", 0x71, 300.0, 0.010)


class Mpu6xxx(Imu):
    """Driver of the family."""

    SPECS = (MPU6050, MPU6500, MPU9250)

    ACCEL_MPS2 = accel_mps2(4096.0)
    GYRO_RADPS = gyro_radps(65.5)

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, wake, configure."""
        self.expect_identity()
        self.put(Reg.PWR_MGMT_1, RESET)
        now_s = yield now_s + RESET_S
        self.put(Reg.PWR_MGMT_1, WAKE)
        now_s = yield now_s + WAKE_S
        self.configure(SETTINGS if self.spec.name == "MPU-6050" else SETTINGS_6500)
        yield now_s + WAKE_S

    def read(self) -> tuple[bool, bytes, bytes]:
        """Flag and data in one transfer."""
        raw = self.get(Reg.INT_STATUS, 15)
        return bool(raw[0] & DATA_READY), raw[1:7], raw[9:15]
