"""The three flights to which faults are applied, from the simulator of the project, with truth.

Each is 115 s long and gusty. In the first minute the glider turns and changes its speed, so that the
estimator learns the sensors. The fault lasts from 60 s to 80 s, in a difficult part of the phase: a pull-up
and a push-over in cruise, an off-centre circle in a thermal, a turn on tow.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from types import MappingProxyType

import numpy as np

from drivers.samples import Sample, Supply
from hw_replay.simulate.air import AirModel, Atmosphere, PowerLawWind, ThermalModel
from hw_replay.simulate.airframe import QUENDEL_2
from hw_replay.simulate.flight import Scenario, simulate
from hw_replay.simulate.plan import Phase, above, after, circle, faster, heading, straight
from hw_replay.simulate.sensors import GeodeticOrigin, Rates

LENGTH_S = 115.0
VOLT, VOLT_NOISE = 12.6, 0.02
_RATES = Rates(imu_hz=50, baro_hz=25, pitot_hz=25, gnss_hz=4, oat_hz=1)


def _deg(angle: float) -> float:
    return math.radians(angle)


def _air(seed: int, *thermals: ThermalModel) -> AirModel:
    return AirModel(
        Atmosphere(warmer_k=5.0),
        field_m=400.0,
        wind=PowerLawWind(-3.0, 4.0),
        thermals=thermals,
        sink_mps=-0.4,
        turbulence_mps=0.3,
        seed=seed,
    )


def _cruise() -> Scenario:
    plan = (
        Phase("glide", 28.0, after(12), heading(_deg(20))),
        Phase("faster", 36.0, after(12), heading(_deg(20))),
        Phase("turn away", 28.0, after(16), heading(_deg(130), _deg(35))),
        Phase("glide on", 31.0, after(24), heading(_deg(130))),
        Phase("pull up", 24.0, after(8), heading(_deg(130))),
        Phase("push over", 35.0, after(20), heading(_deg(130))),
        Phase("and on", 29.0, after(60), heading(_deg(110))),
    )
    return Scenario(QUENDEL_2, _air(11), plan, GeodeticOrigin(50.0, 10.0), seed=11, airborne=(900.0, 28.0))


def _circling() -> Scenario:
    # The core is slightly beside the middle of the circle, so the lift changes around the circle.
    plan = (
        Phase("glide", 30.0, after(12), heading(_deg(20))),
        Phase("slow down", 25.5, after(8), straight),
        Phase("circle", 25.5, after(200), circle(_deg(36))),
    )
    air = _air(12, ThermalModel(460.0, 330.0, scale_mps=4.0, top_m=2000.0, width=1.6))
    return Scenario(QUENDEL_2, air, plan, GeodeticOrigin(50.0, 10.0), seed=12, airborne=(700.0, 30.0))


def _launch() -> Scenario:
    plan = (
        Phase("waiting", 0.0, after(10), ground_bank_rad=_deg(-6), climb_mps=0.0),
        Phase("rope tight", 0.0, after(4), climb_mps=0.0),
        Phase("ground roll", 31.0, faster(28.0), heading(0.0), 0.4),
        Phase("tow", 32.0, above(110), heading(0.0), 3.0),
        Phase("tow, turning", 32.0, after(60), heading(_deg(150), _deg(18)), 3.0),
        Phase("tow on", 32.0, after(60), heading(_deg(150), _deg(18)), 3.0),
    )
    return Scenario(QUENDEL_2, _air(13), plan, GeodeticOrigin(50.0, 10.0), seed=13)


SCENARIOS: Mapping[str, Callable[[], Scenario]] = MappingProxyType(
    {"cruise": _cruise, "circling": _circling, "launch": _launch}
)


@cache
def flight(phase: str) -> tuple[Sample, ...]:
    """The samples of a flight without faults, in order of time, with truth ten times a second."""
    scenario = replace(SCENARIOS[phase](), longest_s=LENGTH_S, rates=_RATES, truth_hz=10.0)
    volts = np.random.default_rng(5).normal(VOLT, VOLT_NOISE, round(LENGTH_S) + 2)
    samples: list[Sample] = []
    due_s = 0
    for sample in simulate(scenario):
        if sample.t_s >= due_s:
            samples.append(Supply(float(due_s), round(float(volts[due_s]), 3)))
            due_s += 1
        samples.append(sample)
    return tuple(samples)


NOISE: Mapping[str, float] = MappingProxyType(
    {
        "baro": 1.5,
        "pitot": 0.8,
        "imu_accel": 0.05,
        "imu_gyro": math.radians(0.1),
        "gnss_pos": 0.2,
        "gnss_vel": 0.05,
        "oat": 0.1,
        "supply": VOLT_NOISE,
    }
)
"""Noise of the simulated sensors (`hw_replay.simulate.sensors`), for the fault of tenfold noise."""
