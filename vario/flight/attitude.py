"""Which way is down: gyro propagation, held upright by the accelerometer with the flight taken out.

An accelerometer alone reads zero bank in any steady turn. So the acceleration of the flight itself is
subtracted first, from airspeed and turn: a = (dV/dt, r·V, -q·V) in body axes, after Euston, Coote,
Mahony, Kim and Hamel, "A complementary filter for attitude estimation of a fixed-wing UAV", IROS 2008.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.isa import G0_MPS2
from drivers.samples import ImuGyro
from vario.flight.health import Inputs
from vario.flight.rotation import Matrix, rotate
from vario.flight.rotation import b_from_s as mounting
from vario.settings.fitted import ImuSensor

UPRIGHT_GAIN_PER_S = 0.15
"""How fast the accelerometer pulls the horizon: slow against gusts, fast against gyro drift."""

UPRIGHT_GAIN_START_PER_S = 2.0
SETTLE_S = 5.0

BIAS_GAIN_PER_S2 = 0.004
"""How fast what is left becomes gyro bias; critically damped with the gain above would be 0.0056."""

MAX_BIAS_RADPS = math.radians(5.0)


@dataclass(frozen=True, slots=True)
class Attitude:
    """Orientation and motion of the body.

    `force_mps2` is specific force and `rate_radps` angular rate in body axes, the mean of the frame,
    with mounting and estimated gyro bias taken out. `turn_rate_radps` is the rate of heading, right
    positive; `load_factor` the normal one, 1 in level flight.
    """

    pitch_rad: float
    bank_rad: float
    turn_rate_radps: float
    load_factor: float
    force_mps2: tuple[float, float, float]
    rate_radps: tuple[float, float, float]

    def up_mps2(self) -> float:
        """Vertical acceleration of the body, up positive."""
        fx, fy, fz = self.force_mps2
        down_x, down_y, down_z = down_b(self.pitch_rad, self.bank_rad)
        return -(fx * down_x + fy * down_y + fz * down_z) - G0_MPS2

    def forward_mps2(self) -> float:
        """Acceleration along the fuselage, forward positive."""
        return self.force_mps2[0] - G0_MPS2 * math.sin(self.pitch_rad)


def down_b(pitch_rad: float, bank_rad: float) -> tuple[float, float, float]:
    """Unit vector "down" in body axes."""
    cos_pitch = math.cos(pitch_rad)
    return -math.sin(pitch_rad), math.sin(bank_rad) * cos_pitch, math.cos(bank_rad) * cos_pitch


class AttitudeStage:
    """Complementary filter on the "down" direction, with gyro bias."""

    def __init__(self, settings: ImuSensor) -> None:
        self._b_from_s: Matrix = mounting(
            settings.mount_roll_rad, settings.mount_pitch_rad, settings.mount_yaw_rad
        )
        self._restart()

    def _restart(self) -> None:
        self._down: tuple[float, float, float] | None = None
        self._bias = (0.0, 0.0, 0.0)
        self._force = (0.0, 0.0, -G0_MPS2)
        self._rate = (0.0, 0.0, 0.0)
        self._running_s = 0.0
        self._gyro_t_s: float | None = None
        self._last_tas_mps: float | None = None
        self._speedup_mps2 = 0.0

    def update(self, inputs: Inputs, tas_mps: float | None) -> Attitude | None:
        """One frame. `tas_mps` is the airspeed estimate of the frame before; None: unknown."""
        frame = inputs.frame
        if not inputs.has_imu or frame.dt_s == 0.0:
            self._restart()
            return None
        if frame.accel:
            n = len(frame.accel)
            mean = (
                sum(s.x_mps2 for s in frame.accel) / n,
                sum(s.y_mps2 for s in frame.accel) / n,
                sum(s.z_mps2 for s in frame.accel) / n,
            )
            self._force = rotate(self._b_from_s, mean)
        for sample in frame.gyro:
            self._propagate(sample)
        self._take_speed(tas_mps, frame.dt_s)
        self._correct(tas_mps or 0.0, frame.dt_s)
        return self._attitude()

    def _propagate(self, sample: ImuGyro) -> None:
        """Turn the "down" vector by one gyro sample (it stands still in space: its body rate is -w x d)."""
        x, y, z = rotate(self._b_from_s, (sample.x_radps, sample.y_radps, sample.z_radps))
        p, q, r = x - self._bias[0], y - self._bias[1], z - self._bias[2]
        self._rate = (p, q, r)
        dt_s = 0.0 if self._gyro_t_s is None else min(sample.t_s - self._gyro_t_s, 0.1)
        self._gyro_t_s = sample.t_s
        if self._down is None:
            return
        # Second order in the rotation angle: exact enough at 50 Hz to 200 deg/s.
        a, b, c = p * dt_s, q * dt_s, r * dt_s
        dx, dy, dz = self._down
        cx, cy, cz = dy * c - dz * b, dz * a - dx * c, dx * b - dy * a
        self._down = _unit(
            dx + cx + 0.5 * (cy * c - cz * b),
            dy + cy + 0.5 * (cz * a - cx * c),
            dz + cz + 0.5 * (cx * b - cy * a),
        )

    def _take_speed(self, tas_mps: float | None, dt_s: float) -> None:
        """Follow dV/dt with a 0.5 s lag, from the airspeed estimate."""
        if tas_mps is None or self._last_tas_mps is None:
            self._speedup_mps2 = 0.0
        else:
            raw = (tas_mps - self._last_tas_mps) / dt_s
            self._speedup_mps2 += min(1.0, dt_s / 0.5) * (raw - self._speedup_mps2)
        self._last_tas_mps = tas_mps

    def _correct(self, tas_mps: float, dt_s: float) -> None:
        _, q, r = self._rate
        fx, fy, fz = self._force
        gx, gy, gz = self._speedup_mps2 - fx, r * tas_mps - fy, -q * tas_mps - fz
        size = math.sqrt(gx * gx + gy * gy + gz * gz)
        if size < 0.5 * G0_MPS2:
            return  # free fall or nonsense: no direction to be had
        mx, my, mz = gx / size, gy / size, gz / size
        if self._down is None:
            self._down = (mx, my, mz)
            return
        self._running_s += dt_s
        dx, dy, dz = self._down
        # The rotation that brings the estimate onto the measurement, as a vector in body axes.
        ex, ey, ez = my * dz - mz * dy, mz * dx - mx * dz, mx * dy - my * dx
        settling = self._running_s < SETTLE_S
        gain = UPRIGHT_GAIN_START_PER_S if settling else UPRIGHT_GAIN_PER_S
        # A force far from what the flight explains (a bump, a winch) is believed less.
        gain *= math.exp(-(((size - G0_MPS2) / (0.3 * G0_MPS2)) ** 2))
        a, b, c = gain * ex * dt_s, gain * ey * dt_s, gain * ez * dt_s
        self._down = _unit(dx + dy * c - dz * b, dy + dz * a - dx * c, dz + dx * b - dy * a)
        if not settling:
            step = BIAS_GAIN_PER_S2 * dt_s
            x, y, z = (
                min(MAX_BIAS_RADPS, max(-MAX_BIAS_RADPS, bias - step * e))
                for bias, e in zip(self._bias, (ex, ey, ez), strict=True)
            )
            self._bias = (x, y, z)

    def _attitude(self) -> Attitude | None:
        if self._down is None:
            return None
        dx, dy, dz = self._down
        pitch = -math.asin(max(-1.0, min(1.0, dx)))
        bank = math.atan2(dy, dz)
        p, q, r = self._rate
        cos_pitch = max(0.05, math.cos(pitch))
        turn = (q * math.sin(bank) + r * math.cos(bank)) / cos_pitch
        return Attitude(pitch, bank, turn, -self._force[2] / G0_MPS2, self._force, (p, q, r))


def _unit(x: float, y: float, z: float) -> tuple[float, float, float]:
    scale = 1.0 / math.sqrt(x * x + y * y + z * z)
    return x * scale, y * scale, z * scale
