"""Calibration against geometry, published examples and simulated flights whose truth is known."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from ambiance import Atmosphere as GeneralAtmosphere
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from drivers.isa import G0_MPS2
from drivers.samples import Baro, GnssVel, ImuAccel, ImuGyro, Pitot, Sample
from tests.support.bundled_flight import bundled
from tests.support.calibration_run import at_rest, leaking
from vario.app.calibrate.leak import static_leak
from vario.app.calibrate.level import angles_rad, from_ground_run, from_two_poses
from vario.app.calibrate.positions import six_positions
from vario.app.calibrate.rest import barometer_offset, gyro_bias, pitot_offset
from vario.app.errors import AppError
from vario.flight.core.vectors import b_from_s, rotate


def test_pitot_zero_is_the_mean_within_its_own_error() -> None:
    outcome = pitot_offset(at_rest(Pitot, [3.7], 1.0))
    found = outcome.figures["pitot"]
    assert abs(found["zero_pa"] - 3.7) < 4 * found["zero_error_pa"]
    assert outcome.settings["sensors.pitot"]["offset"].endswith(" Pa")
    assert "Remove the cover of the pitot" in outcome.cautions[0]


def test_wind_in_the_pitot_is_refused() -> None:
    gust = [
        replace(s, impact_pa=s.impact_pa + (8.0 if 10 < s.t_s < 14 else 0.0))
        for s in at_rest(Pitot, [0.0], 1.0)
    ]  # type: ignore[call-arg, attr-defined]
    with pytest.raises(AppError, match=r"not at rest: impact_pa differs from its median .* Cover the pitot"):
        pitot_offset(gust)


def test_gyro_bias_and_a_glider_that_is_turned() -> None:
    bias = [0.01, -0.02, 0.005]
    found = gyro_bias(at_rest(ImuGyro, bias, 0.002)).figures["gyro"]
    assert [found[f"bias_{axis}_radps"] for axis in "xyz"] == pytest.approx(bias, abs=3e-4)
    turned = [ImuGyro(k / 50, 0.0, 0.0, 0.2 if 500 < k < 600 else 0.0) for k in range(1500)]
    with pytest.raises(AppError, match="not at rest"):
        gyro_bias(turned)


@pytest.mark.parametrize(("elevation_m", "qnh_hpa"), [(0.0, 1013.25), (420.0, 1018.0), (1500.0, 995.0)])
def test_barometer_offset_against_a_general_atmosphere(elevation_m: float, qnh_hpa: float) -> None:
    """A field at an elevation, with a QNH that shifts the standard atmosphere (library ambiance)."""
    heights = np.linspace(-1000.0, 3000.0, 8001)
    # The library counts geometric heights; a pressure altitude is geopotential (ISO 2533).
    geometric = heights * 6_356_766.0 / (6_356_766.0 - heights)
    pressures = GeneralAtmosphere(geometric).pressure
    at_qnh = float(np.interp(-qnh_hpa * 100.0, -pressures, heights))
    truth_pa = float(np.interp(elevation_m + at_qnh, heights, pressures))
    outcome = barometer_offset(at_rest(Baro, [truth_pa + 35.0], 1.5), elevation_m, qnh_hpa * 100.0)
    assert outcome.figures["baro"]["offset_pa"] == pytest.approx(35.0, abs=0.5)


ANGLES = st.floats(-179.0, 179.0)


@given(ANGLES, st.floats(-85.0, 85.0), ANGLES, st.floats(6.0, 60.0))
def test_the_mounting_is_found_from_any_two_poses(
    roll_deg: float, pitch_deg: float, yaw_deg: float, tail_up_deg: float
) -> None:
    """The rotations are those of SciPy: body from sensor, as z-y-x angles."""
    body_from_sensor = Rotation.from_euler("ZYX", [yaw_deg, pitch_deg, roll_deg], degrees=True)
    down = body_from_sensor.inv().apply([0.0, 0.0, 1.0])
    tail_up = math.radians(tail_up_deg)
    leaning = body_from_sensor.inv().apply([math.sin(tail_up), 0.0, math.cos(tail_up)])
    found = b_from_s(*angles_rad(down, leaning))
    assert np.allclose(np.array(found), body_from_sensor.as_matrix(), atol=1e-9)


def seen_by(
    sensor_from_body: Rotation, force: Sequence[float], seconds: float, begin_s: float = 0.0
) -> list[Sample]:
    random = np.random.default_rng(2)
    mean = sensor_from_body.apply(force)
    rows = mean + 0.03 * random.standard_normal((round(seconds * 100), 3))
    return [ImuAccel(begin_s + k / 100, *(float(v) for v in row)) for k, row in enumerate(rows)]


def test_two_poses_recorded_give_settings_that_turn_the_readings_level() -> None:
    sensor_from_body = Rotation.from_euler("ZYX", [100.0, 12.0, 178.0], degrees=True).inv()
    level = seen_by(sensor_from_body, [0.0, 0.0, -G0_MPS2], 10.0)
    nose_down = math.radians(12.0)
    lifted = [-G0_MPS2 * math.sin(nose_down), 0.0, -G0_MPS2 * math.cos(nose_down)]
    outcome = from_two_poses(level, seen_by(sensor_from_body, lifted, 10.0))
    mount = outcome.figures["mount"]
    turned = b_from_s(mount["mount_roll_rad"], mount["mount_pitch_rad"], mount["mount_yaw_rad"])
    for body in ([1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]):
        x, y, z = sensor_from_body.apply(body)
        assert rotate(turned, (x, y, z)) == pytest.approx(body, abs=0.006)


def test_a_ground_run_tells_which_way_is_ahead() -> None:
    sensor_from_body = Rotation.from_euler("ZYX", [-35.0, 3.0, -5.0], degrees=True).inv()
    rest = seen_by(sensor_from_body, [0.0, 0.0, -G0_MPS2], 10.0)
    run = seen_by(sensor_from_body, [2.5, 0.0, -G0_MPS2], 6.0, 10.0)
    outcome = from_ground_run(rest + run)
    mount = outcome.figures["mount"]
    assert math.degrees(mount["mount_yaw_rad"]) == pytest.approx(-35.0, abs=0.5)
    assert math.degrees(mount["mount_pitch_rad"]) == pytest.approx(3.0, abs=0.2)
    assert math.degrees(mount["mount_roll_rad"]) == pytest.approx(-5.0, abs=0.2)


def test_the_launch_of_the_demo_flight_tells_how_its_sensor_sits() -> None:
    """Simulated with the sensor 0.4° off in heading (hw_replay/simulate/sensors.py), on a bumpy field."""
    outcome = from_ground_run(sample for sample in bundled() if sample.t_s < 40.0)
    assert math.degrees(outcome.figures["mount"]["mount_yaw_rad"]) == pytest.approx(0.4, abs=3.0)


def test_poses_too_much_alike_are_refused() -> None:
    upright = Rotation.identity()
    level = seen_by(upright, [0.0, 0.0, -G0_MPS2], 10.0)
    with pytest.raises(AppError, match="lift the tail higher"):
        from_two_poses(level, level)


def tumble(bias: Sequence[float], scale: Sequence[float], tilt_deg: float) -> list[Sample]:
    """The sensor on its six sides, none exactly vertical; true force divided by scale, plus bias."""
    random = np.random.default_rng(4)
    samples: list[Sample] = []
    t_s = 0.0
    for axis, sign in itertools.product(range(3), (1.0, -1.0)):
        force = np.zeros(3)
        force[axis] = sign * G0_MPS2
        force = Rotation.from_rotvec(np.radians(tilt_deg) * random.standard_normal(3) / 2).apply(force)
        read = force / np.array(scale) + np.array(bias)
        for k in range(800):
            wobble = 3.0 if k >= 600 else 0.02  # picked up and turned
            samples.append(ImuAccel(t_s, *(float(v) for v in read + wobble * random.standard_normal(3))))
            samples.append(ImuGyro(t_s, 0.01, -0.02, 0.03))
            t_s += 0.01
    return samples


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0])
def test_six_positions_find_bias_and_scale_however_crooked_they_are(tilt_deg: float) -> None:
    bias, scale = [0.25, -0.4, 0.1], [1.02, 0.97, 1.005]
    found = six_positions(tumble(bias, scale, tilt_deg)).figures["imu"]
    # Six positions have six unknowns: a tilted one changes the bias only in the second order of its tilt.
    assert [found[f"accel_bias_{axis}_mps2"] for axis in "xyz"] == pytest.approx(bias, abs=0.01)
    assert [found[f"accel_scale_{axis}"] for axis in "xyz"] == pytest.approx(scale, abs=0.002)
    assert [found[f"gyro_bias_{axis}_radps"] for axis in "xyz"] == pytest.approx(
        [0.01, -0.02, 0.03], abs=1e-6
    )


def test_a_gyro_without_readings_at_rest_has_no_bias() -> None:
    samples = [s for s in tumble([0, 0, 0], [1, 1, 1], 0.0) if isinstance(s, ImuAccel) or 6.2 < s.t_s < 7.8]
    settings = six_positions(samples).settings["sensors.imu"]
    assert [key for key in settings if not key.startswith("accel_")] == []


def test_a_missing_side_is_named() -> None:
    samples = [s for s in tumble([0, 0, 0], [1, 1, 1], 0.0) if s.t_s < 39.0]
    with pytest.raises(AppError, match="missing: z down"):
        six_positions(samples)


def test_a_leak_is_measured_and_judged_by_the_published_limit() -> None:
    """100 ft a minute in 1000 ft (14 CFR 43 appendix E (a))."""
    for minute_loss, tight in ((0.03, True), (0.09, True), (0.12, False), (0.5, False)):
        outcome = static_leak(leaking(minute_loss))
        found = outcome.figures["static"]
        assert ("The loss is within this limit. This is not a certified test." in outcome.said) is tight
        # Otherwise the pressure difference would damage the airspeed indicator.
        assert "Connect pitot and static together" in outcome.cautions[0]
        # The leak within the first second is not measured.
        assert found["gain_m"] == pytest.approx(304.8, abs=8.0)
        # A line through the minute gives slightly less than the first minute of the curve.
        assert found["loss_m_per_min"] == pytest.approx(304.8 * minute_loss, rel=0.3)
        assert found["tight"] is tight


def test_a_recording_without_a_leak_test_is_refused() -> None:
    with pytest.raises(AppError, match="no leak test"):
        static_leak(at_rest(Baro, [95_000.0], 1.0, 60.0))


@pytest.mark.parametrize("only", [None, pytest.param(GnssVel, marks=pytest.mark.long), Baro])
def test_a_flight_is_no_leak_test_whatever_was_recorded_of_it(only: type[Sample] | None) -> None:
    """The bundled flight: airspeed, speed over ground, and the height alone show that it is a flight."""
    samples = [sample for sample in bundled() if only is None or isinstance(sample, only | Baro)]
    with pytest.raises(AppError, match=r"no leak test in this recording.*--between FROM TO"):
        static_leak(samples)


def test_a_climb_and_a_glide_of_a_flight_are_no_leak_test() -> None:
    climb = [Baro(float(t), 101_325.0 - 12.0 * t) for t in range(1000)]
    glide = [Baro(1000.0 + t, 89_325.0 + 8.0 * t) for t in range(200)]
    with pytest.raises(AppError, match=r"gain of height is 10.. m, which is a flight"):
        static_leak(climb + glide)
