"""The energy estimate against exact energy sums and the limits of the sensors.

Sources: V²/2g (definition of total-energy height; FAI/IGC code TEN); the steady state of a two-state
Kalman-Bucy filter (white acceleration and height noise).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from drivers import isa
from drivers.samples import Baro, Oat, Pitot, Sample
from vario.flight.estimate.estimator import Estimator
from vario.flight.estimate.inertial_model import Wing
from vario.flight.estimate.result import EstimatorSettings
from vario.flight.inputs.frames import Framer
from vario.flight.inputs.health import HealthStage
from vario.flight.motion.energy import Energy, Noise
from vario.flight.setup import Setup

G = isa.G0_MPS2


def still(
    height_m: Callable[[float], float], tas_mps: Callable[[float], float], air_k: float
) -> Iterator[Sample]:
    """50 Hz barometer and pitot of a flight given by height and airspeed over time, nearly without noise."""
    for i in range(60 * 50):
        t_s = i / 50 + 0.001
        if i % 50 == 0:
            yield Oat(t_s, air_k)
        # Readings that are equal to the last digit would count as frozen.
        static_pa = isa.pressure_pa(height_m(t_s)) + 1e-3 * (i % 3)
        yield Baro(t_s, static_pa)
        yield Pitot(t_s, isa.impact_of_tas_pa(tas_mps(t_s), static_pa, air_k))


def estimates(samples: Iterator[Sample], noise: Noise) -> Iterator[tuple[float, Energy]]:
    settings = EstimatorSettings(Wing.loaded(), baro_pa=noise.baro_pa, pitot_pa=noise.pitot_pa)
    framer, health, stage = Framer(), HealthStage(Setup()), Estimator(settings)
    for sample in samples:
        for frame in framer.push(sample):
            yield frame.t_s, stage.update(health.update(frame)).energy


@pytest.mark.parametrize(
    ("fast", "slow", "height_m"),
    [(150 / 3.6, 90 / 3.6, 56.651), (100 * 1852 / 3600, 50 * 1852 / 3600, 101.204)],
)
def test_a_lossless_zoom_gains_v_squared_over_2g_and_reads_no_lift(
    fast: float, slow: float, height_m: float
) -> None:
    """150 to 90 km/h is worth 56.651 m, 100 to 50 kt 332.03 ft: closed form."""

    def tas(t: float) -> float:
        share = 0.5 - 0.5 * math.cos(math.pi * min(1.0, max(0.0, (t - 30) / 10)))
        return fast + (slow - fast) * share

    def height(t: float) -> float:
        return 1000 + (fast**2 - tas(t) ** 2) / (2 * G)

    assert height(60) - 1000 == pytest.approx(height_m, abs=0.01)
    found = [
        (t, e) for t, e in estimates(still(height, tas, isa.temperature_k(1050)), Noise(1.5, 1.0)) if t > 15
    ]
    energies = [e.energy_altitude_m for _, e in found if e.energy_altitude_m is not None]
    assert max(energies) - min(energies) < 2.0
    varios = [e.vario_mps for _, e in found if e.vario_mps is not None]
    climbs = [e.climb_mps for _, e in found if e.climb_mps is not None]
    assert max(climbs) > 7.0
    assert max(abs(v) for v in varios) < 0.35 * max(climbs)
    assert abs(np.mean(varios)) * 45.0 < 0.04 * height_m  # the reading over the whole manoeuvre


def test_steady_climb_is_read_exactly() -> None:
    found = list(
        estimates(still(lambda t: 800 + 2.5 * t, lambda _: 25.0, isa.temperature_k(930)), Noise(1.5, 1.0))
    )
    last = found[-1][1]
    assert last.vario_mps == pytest.approx(2.5, abs=0.01)
    assert last.tas_mps == pytest.approx(25.0, abs=0.01)
    assert last.altitude_m == pytest.approx(800 + 2.5 * found[-1][0], abs=0.1)


def test_indicated_speed_is_below_true_speed_at_height() -> None:
    """Published example: 100 KCAS at 5000 m is 128.68 KTAS in the standard atmosphere."""
    kt = 1852 / 3600
    samples = still(lambda _: 5000.0, lambda _: 128.6832 * kt, isa.temperature_k(5000))
    last = list(estimates(samples, Noise(1.5, 1.0)))[-1][1]
    assert last.ias_mps == pytest.approx(100 * kt, rel=1e-3)


def noisy(seed: int, pa: float) -> Iterator[Sample]:
    rng = np.random.default_rng(seed)
    for i in range(120 * 50):
        yield Baro(i / 50 + 0.001, 90_000.0 + float(rng.normal(0, pa)))


def test_noise_at_rest_is_what_theory_says() -> None:
    """Sensor noise through the steady two-state filter: variance r·ωn³/(2√2), ωn = (q/r)^(1/4).

    From |H|² of the rate's transfer function ωn²s/(s² + √2·ωn·s + ωn²) (Kalman-Bucy steady state),
    integrated over white noise of density r.
    """
    pa, period_s = 1.5, 0.02
    found = [
        e.climb_mps for t, e in estimates(noisy(1, pa), Noise(pa, 1.0)) if t > 20 and e.climb_mps is not None
    ]
    r = (pa * isa.metres_per_pascal(90_000.0)) ** 2 * period_s
    natural_radps = (EstimatorSettings(Wing.loaded()).energy_psd / r) ** 0.25
    expected = math.sqrt(r * natural_radps**3 / (2 * math.sqrt(2)))
    assert float(np.std(found)) == pytest.approx(expected, rel=0.15)


def test_nothing_is_said_before_it_is_known() -> None:
    first = next(estimates(noisy(2, 1.5), Noise(1.5, 1.0)))[1]
    assert first.vario_mps is None
    assert first.tas_mps is None


@pytest.mark.parametrize("spike_pa", [-3000.0, -200.0, 200.0, 3000.0])
def test_a_single_pressure_spike_is_not_lift(spike_pa: float) -> None:
    def samples() -> Iterator[Sample]:
        for sample in noisy(3, 1.0):
            hit = isinstance(sample, Baro) and abs(sample.t_s - 60.001) < 0.005
            yield (
                Baro(sample.t_s, sample.static_pa + spike_pa) if hit and isinstance(sample, Baro) else sample
            )

    varios = [
        e.vario_mps for t, e in estimates(samples(), Noise(1.0, 1.0)) if t > 20 and e.vario_mps is not None
    ]
    assert max(abs(v) for v in varios) < 1.0


def test_a_lasting_step_of_pressure_is_accepted_after_half_a_second() -> None:
    def samples() -> Iterator[Sample]:
        for sample in noisy(4, 1.0):
            if isinstance(sample, Baro):
                yield Baro(sample.t_s, sample.static_pa - (2000.0 if sample.t_s > 60 else 0.0))

    late = [e for t, e in estimates(samples(), Noise(1.0, 1.0)) if t > 70]
    assert all(e.altitude_m == pytest.approx(isa.altitude_m(88_000.0), abs=2.0) for e in late)
    assert all(e.vario_mps is not None and abs(e.vario_mps) < 0.6 for e in late)


@pytest.mark.parametrize("step_mps", [6.0, -6.0])
def test_a_sudden_change_of_the_wind_is_no_lost_sensor(step_mps: float) -> None:
    """Without an inertial unit a step of 6 m/s is 17 m of energy height at once, which no sink or lift is.

    The filter starts again there: the vario is missing for a tenth of a second, less than the 0.2 s after
    which the cue for a lost sensor sounds, and shows the true sink a second later.
    """

    def tas(t_s: float) -> float:
        return 27.0 + (0.0 if t_s < 30.0 else step_mps)

    rng = np.random.default_rng(5)
    samples = (
        Baro(s.t_s, s.static_pa + 1.2 * rng.standard_normal()) if isinstance(s, Baro) else s
        for s in still(lambda t: 1000.0 - t, tas, 281.65)
    )
    told = [(t_s, e.vario_mps, e.compensated) for t_s, e in estimates(samples, Noise(1.2, 0.5))]
    missing = [
        t_s for t_s, vario, compensated in told if t_s > 20.0 and not (compensated and vario is not None)
    ]
    assert len(missing) < 10
    assert all(30.0 <= t_s < 30.2 for t_s in missing)
    after = [vario for t_s, vario, _ in told if t_s > 31.0]
    assert all(vario is not None and abs(vario + 1.0) < 1.0 for vario in after)
