"""The stage of the speed to fly with settings of a test, and its command once settled."""

from __future__ import annotations

from tests.support.example_polars import CLUB, LIMITS, energy_at
from tests.support.setups import setup
from vario.flight.core.polar import QuadraticPolar
from vario.flight.cruise.airmass import Airmass
from vario.flight.cruise.speed_to_fly import SpeedCommand, SpeedToFlyStage
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.mode import Mode
from vario.settings.glider import Limits
from vario.settings.schema import SpeedToFly

STILL = Airmass(0.0, -0.8)
FAST = Limits.model_validate(
    {"stall": "60 km/h", "manoeuvring": "200 km/h", "rough_air": "160 km/h", "never_exceed": "280 km/h"}
)


def under(load: float) -> Attitude:
    """An attitude in which only the load matters."""
    return Attitude(0.0, 0.0, 0.0, load)


def stage(
    mode: str, maccready: float, limits: Limits = LIMITS, polar: QuadraticPolar = CLUB
) -> SpeedToFlyStage:
    return SpeedToFlyStage(
        setup(
            speed_to_fly=SpeedToFly.model_validate({"mode": mode}),
            maccready_mps=maccready,
            polar=polar,
            limits=limits,
        )
    )


def settled(
    made: SpeedToFlyStage,
    air: Airmass = STILL,
    load: float | None = None,
    height_m: float = 0.0,
    seconds: float = 150.0,
) -> SpeedCommand:
    attitude = None if load is None else under(load)
    for _ in range(round(10.0 * seconds)):
        command = made.update(0.1, energy_at(height_m), air, Mode.CRUISE, attitude)
    return command
