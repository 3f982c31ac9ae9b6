"""The energy estimate: height, climb, airspeed and the total-energy vario.

Two small Kalman filters (filterpy), both driven by the IMU where there is one:

* height: state [height, climb rate, what the vertical acceleration input does not explain], measured by the
  barometer;
* airspeed: state [true airspeed, what the forward acceleration input does not explain], measured by
  the pitot.

Energy height relative to the air is e = h + V²/2g, so the total-energy vario is dh/dt + V·(dV/dt)/g. The
fast part of dV/dt comes from the IMU, so a short horizontal gust is not read as lift; the slow part
comes from the airspeed, since a lasting change of wind is real energy. Without an IMU the input is
zero and the last state is the acceleration itself, found from the measurements alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from filterpy.kalman import KalmanFilter

from drivers import isa
from vario.flight.attitude import Attitude
from vario.flight.health import Inputs

G = isa.G0_MPS2

# Spectral densities of what the model leaves out: (m/s²)²/Hz for accelerations, (m/s³)²/Hz for their drift.
WITH_IMU = {"climb": 0.02, "climb_drift": 2e-4, "speed": 0.02, "speed_drift": 2e-2}
WITHOUT_IMU = {"climb": 0.05, "climb_drift": 0.25, "speed": 0.05, "speed_drift": 0.6}

GATE_SIGMA = 6.0
"""A measurement further off than this is refused, ..."""

REFUSED_IN_A_ROW = 3
REFUSED_FOR_S = 0.5
"""... unless several in a row, over some time, say that the estimate is wrong: then it starts afresh."""

SETTLED_CLIMB_MPS = 1.5
"""The vario is shown once the climb rate is known to this (one sigma). It is soon known much better, but
with one reading a second, as in many imported files, not much better between two of them."""


@dataclass(frozen=True, slots=True)
class Noise:
    """One-sigma white noise of a sample."""

    baro_pa: float
    pitot_pa: float


@dataclass(frozen=True, slots=True)
class Energy:
    """Where the energy is and how it changes.

    `vario_mps` is the total-energy climb rate, undamped; without airspeed it is the plain climb rate and
    `compensated` is False. `energy_altitude_m` is altitude + V²/2g. None: not known.
    """

    altitude_m: float | None
    climb_mps: float | None
    ias_mps: float | None
    tas_mps: float | None
    density_kgpm3: float | None
    vario_mps: float | None
    energy_altitude_m: float | None
    compensated: bool


NOTHING = Energy(None, None, None, None, None, None, None, compensated=False)


class _Track:
    """A filterpy filter over [position, (rates,) unexplained acceleration] with age-aware measurements."""

    def __init__(self, order: int, start: float, sigma: float) -> None:
        self.kf = KalmanFilter(dim_x=order, dim_z=1)
        self.kf.x = np.zeros(order)
        self.kf.x[0] = start
        self.kf.P = np.diag([sigma**2, 9.0, 0.25][:order] if order == 3 else [sigma**2, 0.25])
        self._order = order
        self._refused = 0
        self._refused_s = 0.0

    def predict(self, dt_s: float, accel_mps2: float, q: float, q_drift: float) -> None:
        """Advance by `dt_s` under the acceleration input; `q`, `q_drift`: spectral densities."""
        kf, t = self.kf, dt_s
        self._refused_s += t if self._refused else 0.0
        if self._order == 3:
            kf.F = np.array([[1.0, t, 0.5 * t * t], [0.0, 1.0, t], [0.0, 0.0, 1.0]])
            kf.Q = np.array(
                [
                    [
                        q * t**3 / 3 + q_drift * t**5 / 20,
                        q * t * t / 2 + q_drift * t**4 / 8,
                        q_drift * t**3 / 6,
                    ],
                    [q * t * t / 2 + q_drift * t**4 / 8, q * t + q_drift * t**3 / 3, q_drift * t * t / 2],
                    [q_drift * t**3 / 6, q_drift * t * t / 2, q_drift * t],
                ]
            )
            kf.predict()
            kf.x = kf.x + np.array([0.5 * t * t * accel_mps2, t * accel_mps2, 0.0])
        else:
            kf.F = np.array([[1.0, t], [0.0, 1.0]])
            kf.Q = np.array(
                [[q * t + q_drift * t**3 / 3, q_drift * t * t / 2], [q_drift * t * t / 2, q_drift * t]]
            )
            kf.predict()
            kf.x = kf.x + np.array([t * accel_mps2, 0.0])

    def update(self, z: float, sigma: float, age_s: float) -> bool:
        """Take a measurement of the position `age_s` ago; False when the filter has lost it."""
        kf = self.kf
        # Back in time by the age along the estimated rate: a delayed row is as good as a fresh one.
        kf.H = np.array([[1.0, -age_s, 0.0]]) if self._order == 3 else np.array([[1.0, -age_s]])
        residual = z - float((kf.H @ kf.x)[0])
        variance = float((kf.H @ kf.P @ kf.H.T)[0, 0]) + sigma * sigma
        if residual * residual > GATE_SIGMA**2 * variance:
            self._refused += 1
            return self._refused < REFUSED_IN_A_ROW or self._refused_s < REFUSED_FOR_S
        self._refused = 0
        self._refused_s = 0.0
        kf.R = np.array([[sigma * sigma]])
        kf.update(np.array([z]))
        return True


class EnergyStage:
    """Height and airspeed filters and what follows from them."""

    def __init__(self, noise: Noise, pitot_zero_pa: float = 0.0) -> None:
        self._noise = noise
        self._pitot_zero_pa = pitot_zero_pa
        self._height: _Track | None = None
        self._speed: _Track | None = None
        self._air_k: float | None = None
        self._static_pa: float | None = None

    def update(self, inputs: Inputs, attitude: Attitude | None) -> Energy:
        """One frame."""
        frame = inputs.frame
        if frame.dt_s == 0.0 or not inputs.has_baro:
            self._height = None
        if frame.dt_s == 0.0 or not inputs.has_pitot:
            self._speed = None
        for oat in frame.oat:
            self._air_k = oat.air_k
        self._update_height(inputs, attitude)
        self._update_speed(inputs, attitude)
        return self._energy(attitude)

    def _update_height(self, inputs: Inputs, attitude: Attitude | None) -> None:
        frame = inputs.frame
        model = WITHOUT_IMU if attitude is None else WITH_IMU
        if self._height is not None:
            up = 0.0 if attitude is None else attitude.up_mps2()
            self._height.predict(frame.dt_s, up, model["climb"], model["climb_drift"])
        for sample in frame.baro:
            self._static_pa = sample.static_pa
            altitude_m = isa.altitude_m(sample.static_pa)
            sigma_m = self._noise.baro_pa * isa.metres_per_pascal(sample.static_pa)
            age_s = frame.t_s - sample.t_s
            if self._height is None or not self._height.update(altitude_m, sigma_m, age_s):
                self._height = _Track(3, altitude_m, sigma_m)

    def _update_speed(self, inputs: Inputs, attitude: Attitude | None) -> None:
        frame = inputs.frame
        model = WITHOUT_IMU if attitude is None else WITH_IMU
        if self._speed is not None:
            # Along the flight path: the path drops away from the fuselage by the angle of attack, and
            # what that slow difference does to gravity's share goes into the drift state.
            forward = 0.0 if attitude is None else attitude.forward_mps2()
            self._speed.predict(frame.dt_s, forward, model["speed"], model["speed_drift"])
        if self._static_pa is None:
            return
        for sample in frame.pitot:
            impact_pa = sample.impact_pa - self._pitot_zero_pa
            air_k = self._temperature_k()
            tas_mps = isa.tas_mps(impact_pa, self._static_pa, air_k)
            # dq/dV = rho V: the same pressure noise is a larger speed noise when slow.
            rho = isa.density_kgpm3(self._static_pa, air_k)
            sigma_mps = self._noise.pitot_pa / (rho * max(tas_mps, 8.0))
            age_s = frame.t_s - sample.t_s
            if self._speed is None or not self._speed.update(tas_mps, sigma_mps, age_s):
                self._speed = _Track(2, tas_mps, sigma_mps)

    def _temperature_k(self) -> float:
        if self._air_k is not None:
            return self._air_k
        assert self._static_pa is not None  # noqa: S101  (callers have checked)
        return isa.temperature_k(isa.altitude_m(self._static_pa))

    def _energy(self, attitude: Attitude | None) -> Energy:
        if self._height is None or self._static_pa is None:
            return NOTHING
        altitude_m, climb_mps, _ = (float(value) for value in self._height.kf.x)
        settled = math.sqrt(self._height.kf.P[1, 1]) < SETTLED_CLIMB_MPS
        air_k = self._temperature_k()
        rho = isa.density_kgpm3(self._static_pa, air_k)
        if self._speed is None:
            return Energy(
                altitude_m,
                climb_mps if settled else None,
                None,
                None,
                rho,
                climb_mps if settled else None,
                altitude_m,
                compensated=False,
            )
        tas_mps, unexplained = (float(value) for value in self._speed.kf.x)
        tas_mps = max(0.0, tas_mps)
        forward = 0.0 if attitude is None else attitude.forward_mps2()
        vario_mps = climb_mps + tas_mps * (forward + unexplained) / G
        ias_mps = isa.cas_mps(isa.impact_of_tas_pa(tas_mps, self._static_pa, air_k))
        return Energy(
            altitude_m,
            climb_mps if settled else None,
            ias_mps,
            tas_mps,
            rho,
            vario_mps if settled else None,
            altitude_m + tas_mps * tas_mps / (2 * G),
            compensated=True,
        )
