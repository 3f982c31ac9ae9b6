"""Calibration: correct the known errors of the sensors.

For the inertial sensor, subtract the bias and apply the scale in the sensor's own axes, then rotate to body
axes. For the pressures, subtract the offset, then the position error of the static ports.

A static port in the flow reads p + k·q instead of p, q being the true impact pressure (W. Gracey, Measurement
of Aircraft Speed and Altitude, NASA RP-1046, 1980, from memory: Δp/q is the form in which position errors are
given, and the error of the pitot tube is small against it). An airspeed sensor on this port measures
q·(1 - k), and a barometer on it reads p + k·q. With both on one port, the energy height H + V²/2g is measured
as H + (1 - 2k)·V²/2g, and a pull-up reads as lift if k is positive.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.quick import dataclass
from drivers.samples import Baro, ImuAccel, ImuGyro, Pitot
from vario.flight.core.vectors import Matrix, b_from_s, rotate
from vario.flight.inputs.health import Inputs
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.settings.hardware import ImuSensor, Sensors

_UNTURNED = b_from_s(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class AxisCorrection:
    """Scale, bias and mounting of a three-axis sensor, folded into one matrix and one offset in body axes."""

    matrix: Matrix
    offset: tuple[float, float, float]

    @classmethod
    def of(
        cls, turn: Matrix, bias: tuple[float, float, float], scale: tuple[float, float, float]
    ) -> AxisCorrection:
        """The correction for a rotation from sensor to body axes, a bias and a scale in sensor axes."""
        rows = [(row[0] * scale[0], row[1] * scale[1], row[2] * scale[2]) for row in turn]
        matrix = (rows[0], rows[1], rows[2])
        return cls(matrix, rotate(matrix, bias))

    @property
    def changes_nothing(self) -> bool:
        """Whether no correction is set."""
        return self.matrix == _UNTURNED and self.offset == (0.0, 0.0, 0.0)

    def apply(self, x: float, y: float, z: float) -> tuple[float, float, float]:
        """Corrected values in body axes, from values in sensor axes."""
        a, b, c = rotate(self.matrix, (x, y, z))
        return a - self.offset[0], b - self.offset[1], c - self.offset[2]


def accel_correction(imu: ImuSensor) -> AxisCorrection:
    """The correction of the accelerometer, m/s²."""
    return AxisCorrection.of(
        b_from_s(imu.mount_roll_rad, imu.mount_pitch_rad, imu.mount_yaw_rad),
        (imu.accel_bias_x_mps2, imu.accel_bias_y_mps2, imu.accel_bias_z_mps2),
        (imu.accel_scale_x, imu.accel_scale_y, imu.accel_scale_z),
    )


def gyro_correction(imu: ImuSensor) -> AxisCorrection:
    """The correction of the gyro, rad/s."""
    return AxisCorrection.of(
        b_from_s(imu.mount_roll_rad, imu.mount_pitch_rad, imu.mount_yaw_rad),
        (imu.gyro_bias_x_radps, imu.gyro_bias_y_radps, imu.gyro_bias_z_radps),
        (imu.gyro_scale_x, imu.gyro_scale_y, imu.gyro_scale_z),
    )


class Pressures:
    """Corrects offsets and position errors of the pressures, sample by sample in order of arrival.

    The static pressure is corrected with the latest impact pressure. If the pitot sensor fails, its last
    value is kept, because removing the correction would look like a jump in height.

    Args:
        sensors: their settings.
    """

    def __init__(self, sensors: Sensors) -> None:
        self._baro_offset_pa = sensors.baro.offset_pa
        self._pitot_offset_pa = sensors.pitot.offset_pa
        self._baro_share = sensors.baro.position_error
        self._pitot_share = 1.0 - sensors.pitot.position_error
        self._impact_pa = 0.0

    @property
    def changes_nothing(self) -> bool:
        """Whether no correction is set."""
        return (
            self._baro_offset_pa == self._pitot_offset_pa == self._baro_share == 0.0
            and self._pitot_share == 1.0
        )

    def pitot(self, sample: Pitot) -> Pitot:
        """The true impact pressure."""
        self._impact_pa = (sample.impact_pa - self._pitot_offset_pa) / self._pitot_share
        return Pitot(sample.t_s, self._impact_pa)

    def baro(self, sample: Baro) -> Baro:
        """The true static pressure."""
        error_pa = self._baro_offset_pa + self._baro_share * self._impact_pa
        return Baro(sample.t_s, sample.static_pa - error_pa)


class CalibrationStage:
    """Applies the calibration in the settings; it does not change in flight."""

    def __init__(self, setup: Setup) -> None:
        self._sensors = setup.settings.sensors
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure: sensors do not change in flight."""

    def reset(self, reason: ResetReason) -> None:
        """Prepare the corrections at the start."""
        if reason is not ResetReason.START:
            return
        self._accel, self._gyro = accel_correction(self._sensors.imu), gyro_correction(self._sensors.imu)
        self._pressures = Pressures(self._sensors)
        self._idle = (
            self._accel.changes_nothing and self._gyro.changes_nothing and self._pressures.changes_nothing
        )

    def update(self, inputs: Inputs) -> Inputs:
        """The frame with calibrated samples."""
        if self._idle:
            return inputs
        frame = inputs.frame
        pitot = tuple(self._pressures.pitot(s) for s in frame.pitot)  # first: the barometer's needs it
        return replace(
            inputs,
            frame=replace(
                frame,
                baro=tuple(self._pressures.baro(s) for s in frame.baro),
                pitot=pitot,
                accel=tuple(
                    ImuAccel(s.t_s, *self._accel.apply(s.x_mps2, s.y_mps2, s.z_mps2)) for s in frame.accel
                ),
                gyro=tuple(
                    ImuGyro(s.t_s, *self._gyro.apply(s.x_radps, s.y_radps, s.z_radps)) for s in frame.gyro
                ),
            ),
        )
