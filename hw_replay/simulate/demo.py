"""The demo flight, and a long one for measuring speed. Field, glider and weather are fictional."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from hw_replay.simulate.air import AirModel, Atmosphere, PowerLawWind, ThermalModel
from hw_replay.simulate.airframe import QUENDEL_2
from hw_replay.simulate.flight import Scenario, sensors_of, simulate
from hw_replay.simulate.plan import (
    Phase,
    above,
    after,
    below,
    centre,
    circle,
    either,
    facing_from_circle,
    faster,
    heading,
    past,
    straight,
    towards,
    within,
)
from hw_replay.simulate.sensors import GeodeticOrigin, Rates
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter

TITLE = "Demo: an afternoon at Lindenmoos"
START_UTC = datetime(2025, 6, 14, 12, 30, tzinfo=UTC)
BUNDLED = Path(__file__).parents[1] / "demo" / "quendel.mcap"
"""The recording of the demo flight in the package."""

_SEED = 20250614
_FIELD = GeodeticOrigin(50.0, 10.0)
_FIELD_M = 420.0


def _kmh(speed: float) -> float:
    return speed / 3.6


def _deg(angle: float) -> float:
    return math.radians(angle)


def _wind_from(from_deg: float, mps: float) -> PowerLawWind:
    return PowerLawWind(-mps * math.cos(_deg(from_deg)), -mps * math.sin(_deg(from_deg)))


_RUNWAY = _deg(290)
_RIGHT, _LEFT = _deg(38), _deg(-40)

_DEMO_PLAN = (
    Phase("waiting, wing on the grass", 0.0, after(8), ground_bank_rad=_deg(-6), climb_mps=0.0),
    Phase("wing lifted, rope tight", 0.0, after(5), climb_mps=0.0),
    Phase("ground roll and hold down", _kmh(112), faster(_kmh(102)), heading(_RUNWAY), 0.4),
    Phase("tow, straight out", _kmh(115), above(270), heading(_RUNWAY), 3.0),
    Phase("tow, cross wind", _kmh(115), above(380), heading(_deg(205), _deg(18)), 3.0),
    Phase("tow, downwind", _kmh(115), above(480), heading(_deg(120), _deg(18)), 3.0),
    Phase("release: right and slower", _kmh(100), after(9), heading(_deg(165))),
    Phase("cruise", _kmh(110), after(22), towards(0, 50)),
    Phase("cruise faster", _kmh(150), after(17), towards(0, 50)),
    Phase("pull up", _kmh(95), after(9), towards(0, 50)),
    Phase("push over", _kmh(125), after(12), towards(0, 50)),
    Phase("towards the first thermal", _kmh(112), within(0, 150), towards(0, 50)),
    Phase("feel it lift and slow down", _kmh(95), past(0, -20), straight),
    Phase("circle right", _kmh(92), facing_from_circle(0, _deg(560), _deg(38)), circle(_RIGHT)),
    Phase("shift the circle", _kmh(94), after(4.5), straight),
    Phase("circle right, centred", _kmh(92), above(590), centre(0, _RIGHT)),
    Phase("leave", _kmh(105), after(8), heading(_deg(340))),
    Phase("glide", _kmh(130), within(1, 500), towards(1, -50)),
    Phase("slow down", _kmh(105), within(1, 130), towards(1, -50)),
    Phase("feel it lift", _kmh(95), past(1, 35), straight),
    Phase("circle left", _kmh(92), facing_from_circle(1, _deg(520), _deg(38)), circle(_LEFT)),
    Phase("shift the circle", _kmh(94), after(4.5), straight),
    Phase("circle left, centred", _kmh(92), above(675), centre(1, _LEFT)),
    Phase("final glide", _kmh(135), after(30), heading(_deg(50))),
    Phase("airbrakes", _kmh(120), below(200), heading(_deg(60)), airbrakes=1.0),
    Phase("approach", _kmh(102), below(9), heading(_RUNWAY), airbrakes=0.6),
    Phase("round out", _kmh(75), after(36), straight, airbrakes=0.5, flare=True, wheel_brake=0.4),
    Phase("standing", _kmh(75), after(20), straight, ground_bank_rad=_deg(5), wheel_brake=1.0),
)


def demo_flight() -> Scenario:
    """Tow, cruise with a pull-up, a thermal to the right and one to the left, glide and landing.

    Wind 6 m/s from the west-north-west, a warm day of high pressure.
    """
    wind = _wind_from(293, 6.0)
    air = AirModel(
        Atmosphere(sea_level_pa=101_800.0, warmer_k=6.0),
        field_m=_FIELD_M,
        wind=wind,
        thermals=(
            ThermalModel(north_m=-3100.0, east_m=-2900.0, scale_mps=4.0, top_m=2000.0, width=1.6),
            ThermalModel(north_m=-650.0, east_m=-3800.0, scale_mps=4.2, top_m=2000.0, width=1.5),
        ),
        sink_mps=-0.3,
        turbulence_mps=0.3,
        seed=_SEED,
    )
    return Scenario(
        airframe=QUENDEL_2,
        air=air,
        plan=_DEMO_PLAN,
        place=_FIELD,
        seed=_SEED,
        longest_s=1200.0,
        rates=Rates(imu_hz=50, baro_hz=25, pitot_hz=25, gnss_hz=4, oat_hz=0.2),
        truth_hz=5.0,
        runway_rad=_RUNWAY,
    )


def long_flight(duration_s: float, seed: int) -> Scenario:
    """Cruise and circling alternately, of any length: 100 Hz IMU and 50 Hz pressures, no true values.

    A row of thermals lies to the north, 4 km apart. The pilot circles in each of them, alternately to the
    right and to the left.
    """
    spacing_m = 4000.0
    count = math.ceil(duration_s / 100.0) + 1  # a cycle takes at least the glide between two thermals
    thermals = [
        ThermalModel(spacing_m * (i + 1), 0.0, scale_mps=4.2, top_m=2000.0, width=1.7) for i in range(count)
    ]
    plan: list[Phase] = []
    for i in range(count):
        bank = _RIGHT if i % 2 == 0 else _LEFT
        miss_m = math.copysign(60.0, bank)
        plan += [
            Phase("glide", _kmh(125), within(i, 300), towards(i, miss_m)),
            Phase("feel it lift", _kmh(95), past(i, -20), towards(i, miss_m)),
            Phase("circle", _kmh(92), either(above(1150), after(300)), centre(i, bank)),
        ]
    return Scenario(
        airframe=QUENDEL_2,
        air=AirModel(
            Atmosphere(),
            field_m=_FIELD_M,
            wind=_wind_from(293, 6.0),
            thermals=thermals,
            sink_mps=-0.2,
            turbulence_mps=0.3,
            seed=seed,
        ),
        plan=plan,
        place=_FIELD,
        seed=seed,
        longest_s=duration_s,
        rates=Rates(imu_hz=100, baro_hz=50, pitot_hz=50, gnss_hz=5, oat_hz=0.2),
        truth_hz=0.0,
        airborne=(1000.0, _kmh(110)),
    )


def write_recording(
    path: Path,
    scenario: Scenario,
    title: str,
    settings_toml: str,
    glider_toml: str | None,
    *,
    indexed: bool = True,
    progress: Callable[[float], None] = lambda _: None,
) -> Mapping[str, int]:
    """Simulate a scenario and write the samples of its sensors as a recording.

    Args:
        path: file to write.
        scenario: scenario to simulate.
        title: title of the recording.
        settings_toml: text of the settings in the recording.
        glider_toml: text of the glider file in the recording; it should be the glider flown.
        indexed: as for `RecordingWriter`.
        progress: called with the simulated time, s.

    Returns:
        The number of samples written, by topic.

    Raises:
        RecordingError: if the file cannot be written.
    """
    info = RecordingInfo(
        title=title,
        origin="simulated",
        start_utc=START_UTC,
        sensors=sensors_of(scenario),
        config_toml=settings_toml,
        glider_toml=glider_toml,
    )
    with RecordingWriter(path, info, chunk_s=20.0, indexed=indexed) as writer:
        for sample in simulate(scenario):
            writer.write(sample)
            progress(sample.t_s)
    return writer.counts
