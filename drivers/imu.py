"""The common part of the motion drivers: one transfer reads a data-ready flag, rates and forces."""

from __future__ import annotations

import math
import struct
from abc import abstractmethod

from drivers.chip import Chip
from drivers.errors import NotReadyError, SaturatedError
from drivers.isa import G0_MPS2
from drivers.samples import ImuAccel, ImuGyro

ACCEL_RANGE_G = 8
"""The structure of a glider is limited to less than 6 g. The finest range would clip in a winch launch."""

GYRO_RANGE_DPS = 500
"""Twice the rate of a spin."""

RADPS_PER_DPS = math.pi / 180.0
LEAST, MOST = -32768, 32767


def sample_sigma(density: float, bandwidth_hz: float) -> float:
    """Standard deviation of a sample: white noise of a density (unit/√Hz) behind a first-order low-pass."""
    return density * math.sqrt(bandwidth_hz * math.pi / 2.0)


class Imu(Chip):
    """Base of the motion drivers: a subclass reads the registers, this class converts them into samples."""

    ACCEL_MPS2: float
    """Specific force of one count."""

    GYRO_RADPS: float
    """Angular rate of one count."""

    WORDS = struct.Struct(">6h")
    """The words of `read`: force, then rate."""

    @abstractmethod
    def read(self) -> tuple[bool, bytes, bytes]:
        """Whether there are new data; three words of specific force; three words of angular rate."""

    def measure(self, now_s: float) -> None:
        """Read the latest."""
        fresh, accel, gyro = self.read()
        raw = accel + gyro
        self.expect_change(raw)  # if it does not change for long, the chip has stopped
        if not fresh:
            raise NotReadyError("no new data since the last reading", "It may have lost its settings")
        if not any(accel):  # only in free fall there is no force, and then the last bits change
            raise NotReadyError("its force registers are all 0: it does not measure yet, or hangs")
        counts = x, y, z, p, q, r = self.WORDS.unpack(raw)
        if min(counts) == LEAST or max(counts) == MOST:
            forces, rates = counts[:3], counts[3:]
            if min(forces) == LEAST or max(forces) == MOST:
                raise SaturatedError(f"reads {forces}: beyond ±{ACCEL_RANGE_G} g")
            raise SaturatedError(f"reads {rates}: beyond ±{GYRO_RANGE_DPS} °/s")
        t_s = self.read_at_s(now_s)
        force, rate = self.ACCEL_MPS2, self.GYRO_RADPS
        # No count gives a value that is impossible: the ranges of the chips are narrower than the limits.
        self.emit_possible(ImuAccel(t_s, x * force, y * force, z * force))
        self.emit_possible(ImuGyro(t_s, p * rate, q * rate, r * rate))


def accel_mps2(counts_per_g: float) -> float:
    """Specific force of one count."""
    return G0_MPS2 / counts_per_g


def gyro_radps(counts_per_dps: float) -> float:
    """Angular rate of one count."""
    return RADPS_PER_DPS / counts_per_dps
