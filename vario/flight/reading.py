"""All values of the instrument at the end of one frame."""

from __future__ import annotations

from drivers.quick import dataclass
from drivers.samples import GnssPos, GnssVel
from vario.flight.cruise.airmass import Airmass
from vario.flight.cruise.expected_climb import Expected
from vario.flight.cruise.glide import FinalGlide
from vario.flight.cruise.speed_to_fly import SpeedCommand
from vario.flight.estimate.result import Diagnostics
from vario.flight.inputs.battery import NO_BATTERY, Battery
from vario.flight.inputs.quality import Quality
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.motion.place import Place
from vario.flight.motion.turning import Turning
from vario.flight.thermal.averages import Averages
from vario.flight.thermal.stage import Thermal
from vario.flight.tone.stage import ToneCommand
from vario.flight.wind.stage import Wind


@dataclass(frozen=True, slots=True)
class Reading:
    """All values of the instrument at the end of one frame. None: not known.

    Attributes:
        position: the latest GNSS position.
        ground_velocity: the latest GNSS velocity.
        place: the position in metres, from GNSS or by dead reckoning.
        needle_mps: the damped vario that needle and tone follow.
        setting_rejected: the last change of settings could not be applied; the settings before it hold.
        qnh_altitude_m: altitude as an altimeter set to the QNH of the settings shows it.
        airspeed_correction: the factor applied to the airspeed of the sensor.
        battery: the supply voltage, and whether it is low.
    """

    t_s: float
    mode: Mode
    position: GnssPos | None
    attitude: Attitude | None
    energy: Energy
    diagnostics: Diagnostics
    wind: Wind | None
    air: Airmass
    averages: Averages
    needle_mps: float | None
    speed: SpeedCommand
    tone: ToneCommand
    quality: Quality
    turning: Turning
    place: Place | None
    thermal: Thermal
    expected: Expected
    glide: FinalGlide | None
    setting_rejected: bool
    airspeed_correction: float = 1.0
    ground_velocity: GnssVel | None = None
    battery: Battery = NO_BATTERY
    qnh_altitude_m: float | None = None

    @property
    def speed_to_fly_mps(self) -> float | None:
        """The indicated airspeed to fly."""
        return self.speed.command_mps
