"""The true values that fake chips measure."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.isa import G0_MPS2, SEA_LEVEL_K, SEA_LEVEL_PA
from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Oat, Pitot, Sample, Supply

Vector = tuple[float, float, float]


@dataclass(slots=True)
class World:
    """The true values now: at rest at sea level in the standard atmosphere, until a value is set.

    Attributes:
        static_pa: static pressure.
        impact_pa: pitot minus static.
        air_k: temperature of the air and of the chips.
        accel_mps2: specific force in the chip's axes.
        gyro_radps: angular rate in the chip's axes.
        volt_v: supply.
        noise: factor on the datasheet noise of a chip; 0: no noise.
        position: latitude and longitude in degrees, metres above sea level; None: no fix.
        velocity_mps: north, east, down.
    """

    static_pa: float = SEA_LEVEL_PA
    impact_pa: float = 0.0
    air_k: float = SEA_LEVEL_K
    accel_mps2: Vector = (0.0, 0.0, -G0_MPS2)
    gyro_radps: Vector = (0.0, 0.0, 0.0)
    volt_v: float = 12.6
    noise: float = 1.0
    position: Vector | None = (47.0, 11.0, 600.0)
    velocity_mps: Vector = (0.0, 0.0, 0.0)

    def take(self, sample: Sample) -> None:
        """Set the value of a sample, so that the world follows a simulated or recorded flight."""
        match sample:
            case Baro():
                self.static_pa = sample.static_pa
            case Pitot():
                self.impact_pa = sample.impact_pa
            case Oat():
                self.air_k = sample.air_k
            case ImuAccel():
                self.accel_mps2 = (sample.x_mps2, sample.y_mps2, sample.z_mps2)
            case ImuGyro():
                self.gyro_radps = (sample.x_radps, sample.y_radps, sample.z_radps)
            case Supply():
                self.volt_v = sample.volt_v
            case GnssPos():
                self.position = (sample.lat_deg, sample.lon_deg, sample.altitude_m)
            case GnssVel():
                self.velocity_mps = (sample.north_mps, sample.east_mps, sample.down_mps or 0.0)
            case _:
                pass
