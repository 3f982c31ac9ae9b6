"""The estimator against theory and against general libraries, through the whole instrument.

The tests use only readings as inputs, and `Energy` and `Attitude` as outputs.

Sources: steady-state Kalman gains by scipy's solver of the discrete Riccati equation; closed forms of the
two-state filter by P. Kalata, "The tracking index", IEEE Transactions on Aerospace and Electronic Systems
AES-20 (1984), and Y. Bar-Shalom, Estimation with Applications to Tracking and Navigation (both from memory;
the Riccati solver agrees); Kalman-Bucy steady state of white acceleration in white noise; steady turn by
mechanics, ψ' = g·tan φ/V; ahrs, a general library of attitude filters.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from ahrs.filters import Mahony, Tilt
from numpy.typing import NDArray
from scipy.linalg import solve_discrete_are
from scipy.optimize import least_squares

from drivers import isa
from drivers.samples import Baro, ImuAccel, ImuGyro, Pitot, Sample
from tests.bench.references import steady_gains
from tests.support.truth_flight import Sensors, fly
from tests.support.truth_gliders import GLIDERS
from vario.app.replay.player import play
from vario.flight.core.polar import QuadraticPolar
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.schema import Settings

Floats = NDArray[np.float64]

G = isa.G0_MPS2
KT = 1852 / 3600
T = 0.02
GLIDER = GLIDERS["sgs126"]
NOISE = Noise(baro_pa=1.5, pitot_pa=0.5)


def readings(samples: Iterator[Sample]) -> list[Reading]:
    return list(play(samples, Pipeline(Settings(), GLIDER, NOISE)))


# --- gains ------------------------------------------------------------------------------------------------


def gains(f: Floats, q: Floats, r: float) -> Floats:
    """Steady-state Kalman gains of a filter that measures its first state."""
    h = np.zeros((1, len(f)))
    h[0, 0] = 1.0
    p = solve_discrete_are(f.T, h.T, q, np.array([[r]]))
    return np.asarray((p @ h.T / (h @ p @ h.T + r))[:, 0], dtype=np.float64)


def white_acceleration(psd: float, drift_psd: float) -> tuple[Floats, Floats]:
    """Position, rate and acceleration over T: white noise on rate and on acceleration, integrated exactly."""
    f = np.array([[1.0, T, T * T / 2], [0.0, 1.0, T], [0.0, 0.0, 1.0]])
    q = np.zeros((3, 3))
    q[:2, :2] = psd * np.array([[T**3 / 3, T**2 / 2], [T**2 / 2, T]])
    q += drift_psd * np.array(
        [[T**5 / 20, T**4 / 8, T**3 / 6], [T**4 / 8, T**3 / 3, T**2 / 2], [T**3 / 6, T**2 / 2, T]]
    )
    return f, q


@pytest.mark.parametrize(
    ("index", "alpha", "beta"),
    [
        (0.01, 0.13185099, 0.00931745),
        (0.1, 0.36, 0.08),
        (0.5, 0.62837346, 0.30480590),
        (1.0, 0.75, 0.5),
        (2.0, 0.85410197, 0.76393202),
        (10.0, 0.97871376, 1.45898034),
    ],
)
def test_riccati_solver_gives_kalatas_gains(index: float, alpha: float, beta: float) -> None:
    """The oracle itself, on a piecewise constant acceleration: λ = T²σw/σv."""
    f = np.array([[1.0, 1.0], [0.0, 1.0]])
    q = index**2 * np.array([[0.25, 0.5], [0.5, 1.0]])
    np.testing.assert_allclose(gains(f, q, 1.0), [alpha, beta], rtol=1e-6)


@pytest.mark.parametrize("psd", [0.001, 0.019, 1.0])
def test_the_benchmarks_two_state_filter_is_optimal(psd: float) -> None:
    """Check of the reference filter: Riccati, Kalata for short steps, Kalman and Bucy in the limit."""
    sigma = 0.13
    found = np.array(steady_gains(psd, sigma, T))
    f = np.array([[1.0, T], [0.0, 1.0]])
    q = psd * np.array([[T**3 / 3, T**2 / 2], [T**2 / 2, T]])
    np.testing.assert_allclose(found, gains(f, q, sigma**2), rtol=1e-6)
    index = T * T * math.sqrt(psd / T) / sigma
    r = (4.0 + index - math.sqrt(8.0 * index + index**2)) / 4.0
    alpha = 1.0 - r * r
    beta = 2.0 * (2.0 - alpha) - 4.0 * math.sqrt(1.0 - alpha)
    np.testing.assert_allclose(found, [alpha, beta / T], rtol=0.01)
    natural = (psd / (sigma**2 * T)) ** 0.25
    np.testing.assert_allclose(found, [math.sqrt(2.0) * natural * T, natural**2 * T], rtol=2.0 * natural * T)


def at_rest(shift_pa: Callable[[int], float], seconds: float) -> Iterator[Sample]:
    for i in range(round(seconds / T)):
        # Readings that are equal to the last digit for long would count as frozen.
        yield Baro(i * T + T - 1e-4, 95_000.0 + 1e-3 * (i % 3) + shift_pa(i))


def climb_response(seconds: float = 40.0, after: int = 1500) -> Floats:
    """Climb shown from a single pressure height that is 1 m off, barometer alone, once settled."""
    delta_pa = 1.0  # small against the gate, large against rounding
    plain = readings(at_rest(lambda _: 0.0, seconds))
    poked = readings(at_rest(lambda i: delta_pa if i == after else 0.0, seconds))
    height_m = isa.altitude_m(95_000.0 + delta_pa) - isa.altitude_m(95_000.0)
    with_, without = (
        np.array([r.energy.climb_mps for r in run], dtype=np.float64)[after:] for run in (poked, plain)
    )
    return np.asarray((with_ - without) / height_m, dtype=np.float64)


def test_the_height_filter_runs_with_riccati_gains() -> None:
    """Its response to one pressure is that of a Kalman filter with white acceleration and drift, to 1 %."""
    found = climb_response()[:250]
    sigma_m = NOISE.baro_pa * isa.metres_per_pascal(95_000.0)

    def response(log_psds: Floats) -> Floats:
        f, q = white_acceleration(*np.exp(log_psds))
        k = gains(f, q, sigma_m**2)
        x = np.zeros(3)
        out = np.empty(len(found))
        for i in range(len(found)):
            x = f @ x
            x = x + k * ((1.0 if i == 0 else 0.0) - x[0])
            out[i] = x[1]
        return out

    fit = least_squares(
        lambda p: response(p) - found, np.log([0.1, 0.01]), bounds=(np.log(1e-6), np.log(100.0)), x_scale=1.0
    )
    assert np.max(np.abs(fit.fun)) < 0.01 * np.max(np.abs(found))


def test_the_height_filter_reads_a_steady_climb_exactly() -> None:
    """Moments of its response: Σh = 0 (a constant height gives no climb) and Σ n·T·h = −1 (a ramp gives its
    full climb).
    """
    found = climb_response()
    n = np.arange(len(found))
    assert np.sum(found) == pytest.approx(0.0, abs=1e-3)
    assert np.sum(-n * T * found) == pytest.approx(1.0, abs=0.01)


@pytest.mark.long
def test_no_climb_is_quieter_than_white_noise_allows(truth_folder: Path) -> None:
    """Accelerometer and barometer noise alone: √2·q^¾·r^¼ is the least variance (Kalman and Bucy).

    An error below it would mean that the test uses the truth.
    """
    sensors = Sensors(accel_bias_mps2=0.0, gyro_bias_radps=0.0, mounting_rad=0.0)
    flight = fly("speed_changes", "sgs126", 305, truth_folder, sensors)
    scored = [r for r in readings(flight.samples()) if flight.score_from_s < r.t_s <= flight.truth["t_s"][-1]]
    truth = np.interp([r.t_s for r in scored], flight.truth["t_s"], flight.truth["climb_mps"])
    error = np.array([r.energy.climb_mps for r in scored], dtype=np.float64) - truth
    q = sensors.accel_mps2**2 / 100.0
    r = (
        sensors.baro_pa * isa.metres_per_pascal(float(np.mean(flight.truth["static_pa"])))
    ) ** 2 / sensors.air_hz
    floor = math.sqrt(math.sqrt(2.0) * q**0.75 * r**0.25)
    assert floor == pytest.approx(0.004, rel=0.2)
    assert np.std(error) > floor
    assert np.std(error) < 0.3


# --- turns ------------------------------------------------------------------------------------------------

TURNS = [
    # knots and bank, then by mechanics: rate of turn, q and r in °/s, |f| in m/s²
    (45.0, 30.0, (14.0130, 7.0065, 12.1356, 11.3237)),
    (50.0, 45.0, (21.8441, 15.4461, 15.4461, 13.8687)),
    (55.0, 40.0, (16.6631, 10.7108, 12.7647, 12.8017)),
]


class Turn:
    """A glider that flies straight for a minute, then rolls into a coordinated turn within 4 s and stays in
    it.

    Still air, the glider's own polar, standard atmosphere. Mechanics, in axes along the velocity:
    ω = ψ'·(−sin θ, sin φ cos θ, cos φ cos θ), f = ω × v − g·down; the body is turned up from there by
    the angle of attack that carries the load, by Prandtl's lifting line for the glider's aspect ratio of 10.
    """

    STRAIGHT_S, ROLL_S = 60.0, 4.0
    LIFT_SLOPE_PER_RAD = 2.0 * math.pi * 10.0 / (10.0 + 2.0)
    DENSITY_KGPM3 = isa.density_kgpm3(isa.pressure_pa(1500.0), isa.temperature_k(1500.0))

    def __init__(self, tas_mps: float, bank_rad: float, seconds: float) -> None:
        self.tas_mps, self.final_rad, self.seconds = tas_mps, bank_rad, seconds
        self.polar = QuadraticPolar.of(GLIDER)

    def bank(self, t_s: float) -> tuple[float, float]:
        """Bank and its rate."""
        share = min(1.0, max(0.0, (t_s - self.STRAIGHT_S) / self.ROLL_S))
        rate = 0.5 * math.pi / self.ROLL_S * math.sin(math.pi * share) if 0.0 < share < 1.0 else 0.0
        return self.final_rad * (0.5 - 0.5 * math.cos(math.pi * share)), self.final_rad * rate

    def motion(self, t_s: float) -> tuple[Floats, Floats, float]:
        """Rate and specific force in body axes, and sink."""
        bank, roll = self.bank(t_s)
        sink = self.sink_mps(t_s)
        pitch = -math.asin(sink / self.tas_mps)
        dive = (self.sink_mps(t_s + 0.01) - self.sink_mps(t_s - 0.01)) / 0.02 / self.tas_mps
        turn = G * math.tan(bank) / self.tas_mps
        down = np.array(
            [-math.sin(pitch), math.sin(bank) * math.cos(pitch), math.cos(bank) * math.cos(pitch)]
        )
        rate = turn * down + np.array([roll, -dive * math.cos(bank), dive * math.sin(bank)])
        force = np.cross(rate, [self.tas_mps, 0.0, 0.0]) - G * down
        alpha = self.incidence(t_s)
        nose_up = np.array([0.0, (self.incidence(t_s + 0.01) - self.incidence(t_s - 0.01)) / 0.02, 0.0])
        return _raised(rate, alpha) + nose_up, _raised(force, alpha), sink

    def sink_mps(self, t_s: float) -> float:
        # At height, true speed and true sink are both larger by √(ρ0/ρ).
        scale = math.sqrt(isa.SEA_LEVEL_KGPM3 / self.DENSITY_KGPM3)
        return scale * self.polar.sink_loaded_mps(self.tas_mps / scale, 1.0 / math.cos(self.bank(t_s)[0]))

    def incidence(self, t_s: float) -> float:
        """Angle of attack from zero lift: 2(m/S)·n·g/(ρ·CLα·V²)."""
        loading = GLIDER.reference_mass_kg / GLIDER.wing_area_m2 * G / math.cos(self.bank(t_s)[0])
        return 2.0 * loading / (self.DENSITY_KGPM3 * self.LIFT_SLOPE_PER_RAD * self.tas_mps**2)

    def imu(self) -> tuple[Floats, Floats]:
        """Rates and forces at every step, shape (n, 3) each."""
        both = [self.motion((i + 0.5) * T)[:2] for i in range(round(self.seconds / T))]
        return np.array([rate for rate, _ in both]), np.array([force for _, force in both])

    def samples(self) -> Iterator[Sample]:
        height_m = 1500.0
        rng = np.random.default_rng(9)
        noise = rng.standard_normal((round(self.seconds / T), 8)) * [1.2, 0.5, *[0.02] * 3, *[0.002] * 3]
        rates, forces = self.imu()
        for i, (rate, force, n) in enumerate(zip(rates, forces, noise, strict=True)):
            t_s = i * T + T - 1e-4
            height_m -= self.motion(t_s)[2] * T
            static_pa = isa.pressure_pa(height_m)
            air_k = isa.temperature_k(height_m)
            yield ImuAccel(t_s, *(force + n[2:5]).tolist())
            yield ImuGyro(t_s, *(rate + n[5:]).tolist())
            yield Baro(t_s, static_pa + n[0])
            yield Pitot(t_s, isa.impact_of_tas_pa(self.tas_mps, static_pa, air_k) + n[1])


def _raised(vector: Floats, alpha: float) -> Floats:
    """A vector in axes along the velocity, seen from a body turned up by alpha."""
    x, y, z = vector
    return np.array([x * math.cos(alpha) - z * math.sin(alpha), y, x * math.sin(alpha) + z * math.cos(alpha)])


@pytest.mark.long
@pytest.mark.parametrize(("knots", "bank_deg", "level"), TURNS)
def test_a_long_coordinated_turn_is_held(knots: float, bank_deg: float, level: tuple[float, ...]) -> None:
    turn, q, r, force = level
    flown = Turn(knots * KT, math.radians(bank_deg), 240.0)
    rate, felt, _ = flown.motion(200.0)
    # The scene agrees with the published figures for level turns; a glider's few degrees of dive cost 0.3 %.
    alpha = flown.incidence(200.0)
    assert np.degrees(_raised(rate, -alpha)[1:]) == pytest.approx([q, r], rel=0.005)
    assert np.linalg.norm(felt) == pytest.approx(force, rel=0.005)
    attitudes = [r.attitude for r in readings(flown.samples())][round(90.0 / T) :]
    for attitude in attitudes:
        assert attitude is not None
        assert math.degrees(attitude.bank_rad) == pytest.approx(bank_deg, abs=1.0)
        assert attitude.load_factor == pytest.approx(1.0 / math.cos(math.radians(bank_deg)), abs=0.05)
    # A single reading contains the noise of the gyro.
    rates = np.degrees([a.turn_rate_radps for a in attitudes if a is not None])
    assert np.mean(rates) == pytest.approx(turn, abs=0.3)


# --- beside a general attitude library --------------------------------------------------------------------


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
def test_at_rest_and_slow_it_agrees_with_the_library(
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
def test_in_a_long_turn_the_library_lies_down_and_ours_does_not() -> None:
    flown = Turn(50.0 * KT, math.radians(40.0), 240.0)
    rates, forces = flown.imu()
    # In a turn the accelerometer alone indicates no bank.
    tilt = Tilt(acc=forces[-50:] * np.array([1.0, -1.0, -1.0]), representation="angles").Q
    assert np.degrees(tilt[:, 0]) == pytest.approx(0.0, abs=0.01)
    assert abs(math.degrees(library_angles(rates, forces)[-1, 1])) < 20.0
    last = readings(flown.samples())[-1].attitude
    assert last is not None
    assert math.degrees(last.bank_rad) == pytest.approx(40.0, abs=1.5)
