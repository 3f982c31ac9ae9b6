"""Attitude in long turns and at rest, against mechanics and beside `ahrs`, a general library of attitude
filters.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest
from ahrs.filters import Mahony, Tilt

from drivers.samples import Baro, ImuAccel, ImuGyro, Pitot, Sample
from tests.support.mechanical_turn import KT, Floats, G, T, Turn, raised, readings

TURNS = [
    # knots and bank, then by mechanics: rate of turn, q and r in °/s, |f| in m/s²
    (45.0, 30.0, (14.0130, 7.0065, 12.1356, 11.3237)),
    (50.0, 45.0, (21.8441, 15.4461, 15.4461, 13.8687)),
    (55.0, 40.0, (16.6631, 10.7108, 12.7647, 12.8017)),
]


@pytest.mark.long
@pytest.mark.parametrize(("knots", "bank_deg", "level"), TURNS)
def test_a_long_coordinated_turn_is_held(knots: float, bank_deg: float, level: tuple[float, ...]) -> None:
    turn, q, r, force = level
    flown = Turn(knots * KT, math.radians(bank_deg), 240.0)
    rate, felt, _ = flown.motion(200.0)
    # The scene agrees with the published figures for level turns; a glider's few degrees of dive cost 0.3 %.
    alpha = flown.incidence(200.0)
    assert np.degrees(raised(rate, -alpha)[1:]) == pytest.approx([q, r], rel=0.005)
    assert np.linalg.norm(felt) == pytest.approx(force, rel=0.005)
    attitudes = [r.attitude for r in readings(flown.samples())][round(90.0 / T) :]
    for attitude in attitudes:
        assert attitude is not None
        assert math.degrees(attitude.bank_rad) == pytest.approx(bank_deg, abs=1.0)
        assert attitude.load_factor == pytest.approx(1.0 / math.cos(math.radians(bank_deg)), abs=0.05)
    # A single reading contains the noise of the gyro.
    rates = np.degrees([a.turn_rate_radps for a in attitudes if a is not None])
    assert np.mean(rates) == pytest.approx(turn, abs=0.3)


def library_angles(rates: Floats, forces: Floats) -> Floats:
    """Pitch and bank by the library's complementary filter, shape (n, 2), rad.

    The library's axes are x forward, y left, z up, and its quaternion turns the body's axes into the earth's.
    """
    flip = np.array([1.0, -1.0, -1.0])
    q = Mahony(gyr=rates * flip, acc=forces * flip, frequency=1.0 / T).Q
    up = np.stack(
        [
            2.0 * (q[:, 1] * q[:, 3] - q[:, 0] * q[:, 2]),
            2.0 * (q[:, 2] * q[:, 3] + q[:, 0] * q[:, 1]),
            1.0 - 2.0 * (q[:, 1] ** 2 + q[:, 2] ** 2),
        ],
        axis=1,
    )
    return np.stack([np.arcsin(np.clip(up[:, 0], -1.0, 1.0)), np.arctan2(up[:, 1], up[:, 2])], axis=1)


def rocking(pitch_deg: float, bank_deg: float, swing_deg: float) -> tuple[Floats, Floats, Floats]:
    """On the ground, tilted and slowly rocked in bank: rates, forces, true pitch and bank, rows of 20 ms."""
    t = (np.arange(round((90.0 if swing_deg else 60.0) / T)) + 1) * T
    swing, w = math.radians(swing_deg), 2.0 * math.pi / 30.0
    begun = np.clip((t - 30.0) / 30.0, 0.0, None)
    bank = math.radians(bank_deg) + swing * np.sin(w * (t - 30.0)) * (begun > 0)
    roll = swing * w * np.cos(w * (t - 30.0)) * (begun > 0)
    pitch = np.full_like(t, math.radians(pitch_deg))
    down = np.stack([-np.sin(pitch), np.sin(bank) * np.cos(pitch), np.cos(bank) * np.cos(pitch)], axis=1)
    rates = np.stack([roll, 0.0 * roll, 0.0 * roll], axis=1)
    return rates, -G * down, np.stack([pitch, bank], axis=1)


@pytest.mark.parametrize(
    ("pitch_deg", "bank_deg", "swing_deg"),
    [(8.0, -12.0, 0.0), pytest.param(5.0, 6.0, 10.0, marks=pytest.mark.long)],
)
def test_at_rest_and_in_slow_motion_the_attitude_agrees_with_the_library(
    pitch_deg: float, bank_deg: float, swing_deg: float
) -> None:
    rates, forces, truth = rocking(pitch_deg, bank_deg, swing_deg)
    theirs = library_angles(rates, forces)

    def samples() -> Iterator[Sample]:
        draw = np.random.default_rng(2).standard_normal((len(rates), 8))
        for i, (rate, force, n) in enumerate(zip(rates, forces, draw, strict=True)):
            t_s = i * T + T - 1e-4
            yield ImuAccel(t_s, *(force + 0.02 * n[:3]).tolist())
            yield ImuGyro(t_s, *(rate + 0.002 * n[3:6]).tolist())
            yield Baro(t_s, 95_000.0 + 1.2 * n[6])
            yield Pitot(t_s, 0.5 * n[7])

    settled = round(45.0 / T)
    ours = [r.attitude for r in readings(samples())][settled:]
    assert all(a is not None for a in ours)
    angles = np.array([(a.pitch_rad, a.bank_rad) for a in ours if a is not None])
    np.testing.assert_allclose(np.degrees(theirs[settled:]), np.degrees(truth[settled:]), atol=0.5)
    np.testing.assert_allclose(np.degrees(angles), np.degrees(truth[settled:]), atol=1.0)
    np.testing.assert_allclose(np.degrees(angles), np.degrees(theirs[settled:]), atol=1.0)


@pytest.mark.long
def test_in_a_long_turn_the_library_loses_the_bank_and_the_estimator_keeps_it() -> None:
    flown = Turn(50.0 * KT, math.radians(40.0), 240.0)
    rates, forces = flown.imu()
    # In a turn the accelerometer alone indicates no bank.
    tilt = Tilt(acc=forces[-50:] * np.array([1.0, -1.0, -1.0]), representation="angles").Q
    assert np.degrees(tilt[:, 0]) == pytest.approx(0.0, abs=0.01)
    assert abs(math.degrees(library_angles(rates, forces)[-1, 1])) < 20.0
    last = readings(flown.samples())[-1].attitude
    assert last is not None
    assert math.degrees(last.bank_rad) == pytest.approx(40.0, abs=1.5)
