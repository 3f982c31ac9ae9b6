"""The simulated sensors: the errors of each agree with the metadata of the recording."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drivers.isa import impact_of_tas_pa
from drivers.samples import GnssVel
from hw_replay.simulate import long_flight, simulate
from hw_replay.simulate.air import AirModel, Atmosphere
from hw_replay.simulate.airframe import QUENDEL_2
from hw_replay.simulate.glider import GliderModel, GliderState, Motion, PilotInput
from hw_replay.simulate.rotation import from_euler
from hw_replay.simulate.sensors import (
    AccelModel,
    BaroModel,
    GeodeticOrigin,
    GnssPosModel,
    GnssVelModel,
    GyroModel,
    OatModel,
    PitotModel,
)

DAY = Atmosphere()
READINGS = 4000


def motion(tas_mps: float, height_m: float = 1000.0) -> Motion:
    state = GliderState(0.0, 1500.0, -800.0, height_m, (tas_mps, 0.0, 0.0), from_euler(0.0, 0.0, 0.0))
    return GliderModel(QUENDEL_2, AirModel(DAY)).motion(state, PilotInput())


def test_white_noise_is_what_the_recording_states() -> None:
    now = motion(30.0)
    baro, pitot = BaroModel(25.0, 1, DAY), PitotModel(25.0, 1, DAY)
    accel, gyro = AccelModel(50.0, 1), GyroModel(50.0, 1)
    readings = (
        (baro, [baro.measure(now, 0.0).static_pa for _ in range(READINGS)]),
        (pitot, [pitot.measure(now, 0.0).impact_pa for _ in range(READINGS)]),
        (accel, [accel.measure(now, 0.0).y_mps2 for _ in range(READINGS)]),
        (gyro, [gyro.measure(now, 0.0).z_radps for _ in range(READINGS)]),
    )
    for sensor, values in readings:
        assert sensor.info.noise is not None
        # 4000 readings determine their standard deviation to 1.1 %; the limit is four times that.
        assert np.std(values) == pytest.approx(sensor.info.noise, rel=0.045), sensor.channel


def test_barometer_reads_the_static_pressure_and_its_own_error() -> None:
    # 89874.56 Pa at 1000 m: US Standard Atmosphere 1976.
    baro = BaroModel(25.0, 1, DAY)
    mean = np.mean([baro.measure(motion(30.0), 0.0).static_pa for _ in range(READINGS)])
    assert mean - baro.OFFSET_PA == pytest.approx(89874.56, abs=0.1)


def test_pitot_follows_with_the_lag_the_recording_states() -> None:
    pitot = PitotModel(100.0, 1, DAY)
    pitot.measure(motion(20.0), 0.0)
    low, high = (
        impact_of_tas_pa(v, DAY.pressure_pa(1000.0), DAY.temperature_k(1000.0)) for v in (20.0, 40.0)
    )
    lag_s = pitot.info.latency_s
    assert lag_s is not None
    for _ in range(round(lag_s * 100.0)):
        reading = pitot.measure(motion(40.0), 0.0).impact_pa
    # A first-order lag has gone 1 - 1/e of a step after its time constant.
    expected = low + (1 - 1 / math.e) * (high - low) + pitot.OFFSET_PA
    assert reading == pytest.approx(expected, abs=4 * pitot.noise)


def test_inertial_sensors_sit_nearly_straight() -> None:
    # Turned by less than a degree, a specific force keeps its size but for the bias.
    accel = AccelModel(50.0, 1)
    now = replace(motion(30.0), force_mps2=(0.3, 0.0, -12.0))
    readings = [accel.measure(now, 0.0) for _ in range(READINGS)]
    mean = np.mean([(a.x_mps2, a.y_mps2, a.z_mps2) for a in readings], axis=0) - accel.BIAS
    assert np.linalg.norm(mean) == pytest.approx(math.hypot(0.3, 12.0), abs=0.01)
    angle = math.acos(np.dot(mean, now.force_mps2) / np.linalg.norm(mean) / np.linalg.norm(now.force_mps2))
    assert 0.0 < math.degrees(angle) < 1.0


# Length of a degree of latitude and of longitude, WGS 84, metres; as in any table of it, from memory.
DEGREES = [(0.0, 110_574.0, 111_320.0), (45.0, 111_132.0, 78_847.0), (60.0, 111_412.0, 55_800.0)]


@pytest.mark.parametrize(("lat", "north_m", "east_m"), DEGREES)
def test_positions_in_degrees(lat: float, north_m: float, east_m: float) -> None:
    place = GeodeticOrigin(lat, 7.0)
    assert place.degrees(north_m, east_m) == pytest.approx((lat + 1.0, 8.0), abs=1e-4)


def test_gnss_is_stamped_late_by_what_the_recording_states() -> None:
    latency_s = GnssVelModel(4.0, 1).info.latency_s
    assert latency_s == 0.1
    times_s = [s.t_s for s in simulate(long_flight(1.0, 1)) if isinstance(s, GnssVel)]
    assert times_s == pytest.approx([k / 5 + latency_s for k in range(len(times_s))])
    assert times_s


def test_gnss_wanders_and_stays_near() -> None:
    gnss = GnssPosModel(4.0, 1, GeodeticOrigin(50.0, 10.0))
    heights = np.array([gnss.measure(motion(30.0), 0.0).altitude_m for _ in range(READINGS)])
    assert abs(heights - 1000.0).max() < 10.0
    assert np.diff(heights).std() < heights.std()


def test_temperature_probe_is_slow() -> None:
    probe = OatModel(0.2, 1, DAY)
    probe.measure(motion(30.0, 1000.0), 0.0)
    # 6.5 K colder air: a third of it seen after 5 s behind a lag of 15 s, 1 - exp(-1/3) = 0.2835.
    seen = probe.measure(motion(30.0, 2000.0), 5.0).air_k - probe.OFFSET_K
    assert seen == pytest.approx(281.65 - 0.2835 * 6.5, abs=4 * probe.noise)
