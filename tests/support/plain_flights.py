"""Short simulated flights that begin in the air, for the tests of calibration."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hw_replay.simulate import Scenario
from hw_replay.simulate.air import AirModel, Atmosphere
from hw_replay.simulate.airframe import QUENDEL_2
from hw_replay.simulate.plan import Phase
from hw_replay.simulate.sensors import GeodeticOrigin, Rates


def begun_in_the_air(plan: Sequence[Phase], speed_kmh: float, seconds: float, **others: Any) -> Scenario:
    """A flight in steady air from 2500 m on; `others`: further parts of the scenario."""
    return Scenario(
        airframe=QUENDEL_2,
        air=AirModel(Atmosphere(), field_m=0.0, seed=5),
        plan=plan,
        place=GeodeticOrigin(50.0, 10.0),
        seed=5,
        longest_s=seconds,
        rates=Rates(imu_hz=50, baro_hz=25, pitot_hz=25, gnss_hz=5, oat_hz=0.2),
        truth_hz=0.0,
        airborne=(2500.0, speed_kmh / 3.6),
        **others,
    )
