"""Attitude, air velocity and climb from an inertial unit, static and pitot pressure: an error-state EKF.

States (body axes x forward, y right, z down; "down" d is the unit vector towards the earth's centre):

    tilt ψ (3)           small rotation that corrects d:  d_true = d + d × ψ
    air velocity v (3)   of the instrument relative to the smooth part of the air, m/s
    gyro bias, accelerometer bias (3 + 3)
    climb ḣ, height h    of the instrument above sea level (pressure height), m/s, m
    incidence α0         of the zero-lift line to the instrument's x axis, rad
    sideslip β0          of the instrument's x axis in straight flight (mounting yaw), rad
    gust u               along track: measured airspeed minus |v|, m/s
    side Y               side-force constant 2(m/S)/(ρ0·CYβ), m: sideslip per side force
    cross-axis c         mounting roll times Y, m: the part of the lift measured as side force
    wind W (2)           north and east, m/s
    latency L            of the velocities over ground, beyond their stated time, s
    lag T                of the barometer, first order, s
    lift κ               logarithm of the true lift constant over the assumed K; 0 with a glider file

ω is the true rate, f the true specific force (measured minus bias), g gravity:

    ḋ = -ω × d        v̇ = f + g d - ω × v + (air's own acceleration, noise)
    ḧ = -f·d - g      u̇ = -u/τ + noise

v and d follow the same equation of rotation; without a heading, an inertial unit gives no more than this. The
first velocity over ground gives the heading (`ground`); until then it has an arbitrary zero, and the energy
does not need it. Wind and v change together, because velocity over ground is their sum and a gust does not
change it. Without velocities over ground the wind is not observed, and the filter is otherwise the same. The
general method is the error-state filter of J. Solà, Quaternion kinematics for the error-state Kalman filter,
arXiv:1711.02508, sections 5 and 6.

Measurements: height h - T ḣ; airspeed |v| + u, minus the effect of the lag of the tubing; velocity over
ground, north and east; and three pseudo-measurements of a flying wing:
    side force               v_y = V β0 - (Y f_y + c f_z)/(σ V): the side force of the fuselage shows a slip
    lift curve               v_z = V α0 - K e^κ f_z/(σ V), K = 2(m/S)/(ρ0·CLα): the lift shows the incidence
    polar                    f·v/g = -sink(V, n): the drag shows the incidence, with large noise (`by_polar`)
At low airspeed: standing still (v ≈ 0) when the instrument is at rest.

The tilt is a rotation and not three components of d. Otherwise the length of d would be a false degree of
freedom, which multiplies gravity (9.8 m/s²) in ḧ, and the filter would diverge.
"""

from __future__ import annotations

import math
from enum import Enum, auto

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2, SEA_LEVEL_KGPM3
from drivers.quick import dataclass
from vario.flight.core.polar import QuadraticPolar

PSI, V, GYRO, ACC, CLIMB, HEIGHT, ALPHA, BETA, GUST, SIDE, CROSS_AXIS = 0, 3, 6, 9, 12, 13, 14, 15, 16, 17, 18
WIND, LATE, LAG, LIFT = 19, 21, 22, 23
SIZE = 24


def _places(*blocks: tuple[list[int], list[int]]) -> NDArray[np.intp]:
    """Positions of the entries of these blocks in a matrix of the filter, counted row by row."""
    pairs = [(row, column) for rows, columns in blocks for row in rows for column in columns]
    return np.array([row * SIZE + column for row, column in pairs])


_TILT, _AIR = [PSI, PSI + 1, PSI + 2], [V, V + 1, V + 2]
_OFF_DIAGONAL = ((0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1))

F_ENTRIES = _places(
    (_TILT, _TILT),
    (_AIR, _AIR),
    *(([PSI + k], [GYRO + k]) for k in range(6)),
    *(([V + i], [PSI + j]) for i, j in _OFF_DIAGONAL),
    *(([V + i], [GYRO + j]) for i, j in _OFF_DIAGONAL),
    ([CLIMB], [*_TILT, ACC, ACC + 1, ACC + 2]),
    ([HEIGHT], [CLIMB]),
    ([GUST], [GUST]),
)
"""Positions where the transition is not the identity, in the order in which `Prediction` fills
them.
"""

_WIND = [WIND, WIND + 1]

Q_ENTRIES = _places(
    *(([index], [index]) for index in _TILT),
    (_AIR, _AIR),
    *(([index], [index]) for index in range(GYRO, SIZE)),
    (_AIR, _WIND),
    (_WIND, _AIR),
)
"""Positions of the process noise, in the same order."""

TYPICAL_SIDE_M = 30.0  # wing loading 30 kg/m² over 1.6 CYβ; from memory of stability data, no source
POLAR_EVERY_S = 0.2
STALLED_UPDRAFT = 0.3  # m/s per √s


CONSIDERED = (ALPHA, LIFT)
"""States that some measurements do not correct (consider states). On tow no measurement corrects them,
because the rope adds forces. Without a glider file sideslip and lift curve correct them in calm air only: a
gust changes the force of the wing (an input) and the air velocity together, and the filter would estimate a
wrong lift constant. An airspeed whose normalised innovation squared exceeds `GUST_NIS` never does.
"""

PULL_MPS2, PULLED = 2.2 * G0_MPS2, (*range(GYRO, GYRO + 6), *CONSIDERED)
"""In a pull beyond this, errors of scale and timing are larger than those that the model knows: biases,
incidence and lift constant are not corrected. A steady turn of 60° has 2 g.
"""


class Regime(Enum):
    """The flight regime: the assumptions about wing and wheels that hold."""

    REST = auto()  # on the ground, not moving
    ROLLING = auto()  # too slow for the wing to carry
    TOWED = auto()  # tow: there are other forces than lift and drag
    GLIDING = auto()
    STALLED = auto()  # the lift curve does not hold


@dataclass(frozen=True, slots=True)
class InertialNoise:
    """Noise parameters of sensors, air and pilot: all numbers of P at the start, of Q and of R.

    They are standard deviations: of a state at the start, per √s of its random walk, or times √s of white
    noise (the square is then a density).
    """

    tilt_rad: float = 0.15  # at the start, after one second of alignment
    ahead_mps: float = 1.0  # forward air velocity at the start
    across_mps: float = 2.5  # sideways, at the start: 5° of sideslip at 28 m/s
    below_mps: float = 1.7  # downwards, at the start: 3.5° of incidence at 28 m/s
    climb_mps: float = 3.0  # at the start
    height_m: float = 1.0  # at the start, from one reading
    gyro_rad_per_sqrt_s: float = 3.5e-4
    accel_mps_per_sqrt_s: float = 6e-3
    gyro_bias_radps: float = math.radians(0.6)
    accel_bias_mps2: float = 0.1
    gyro_drift_radps_per_sqrt_s: float = 1e-6
    accel_drift_mps2_per_sqrt_s: float = 1e-5
    incidence_rad: float = 0.05
    incidence_creep_rad_per_sqrt_s: float = 3e-4
    mounting_yaw_rad: float = 0.05
    side_m: float = 15.0
    side_m_per_sqrt_s: float = 1e-2
    cross_axis_m: float = 1.2
    cross_axis_m_per_sqrt_s: float = 1e-3
    standing_mps_sqrt_s: float = 0.2  # at rest: the air velocity is 0
    standing_radps_sqrt_s: float = 2e-3  # at rest: the rate is 0
    lift_mps_sqrt_s: float = 0.04  # lift curve, as the density of its error in v_z
    sideslip_mps_sqrt_s: float = 0.25  # slips of a pilot last for seconds
    lift_share: float = 0.4  # standard deviation of κ without a glider file; with one κ stays 0
    lift_creep_per_sqrt_s: float = 8e-3  # flaps, ballast dropped, a lift curve that is not straight
    polar_mps_sqrt_s: float = 0.6  # polar error, wet wings: the polar has effect only in the long run
    updraft_mps_per_sqrt_s: float = 1.4
    gust_time_s: float = 1.0
    gust_start_mps: float = 0.7  # before it is learned
    gust_least_mps: float = 0.1
    gust_most_mps: float = 2.5
    gust_learn_s: float = 8.0
    drift_least: float = 1e-3  # random walk of the smooth part of the air in calm air, (m/s)²/s
    drift_share: float = 1.5  # and more in rough air, which has gradients: this multiple of the gust variance
    wind_mps: float = 8.0
    heading_rad: float = 0.5  # of the first heading, which is the track
    gnss_mps: float = 0.1
    gnss_mps_sqrt_s: float = 0.1  # the slow part of the error of a receiver, as a density
    gnss_latency_s: float = 0.15
    gnss_latency_sigma_s: float = 0.1
    gnss_latency_s_per_sqrt_s: float = 1e-3
    baro_lag_s: float = 0.05  # tubing and sensor, initial value
    baro_lag_sigma_s: float = 0.05
    baro_lag_s_per_sqrt_s: float = 1e-4
    pitot_lag_s: float = 0.05  # tubing and sensor; not observable: its variance remains part of the noise
    pitot_lag_sigma_s: float = 0.05


LIFT_SLOPE_PER_RAD = 5.3
"""CLα of a sailplane's wing: 2π·A/(A + 2) for aspect ratio A of 11 (Prandtl's lifting line); slender
wings reach 5.7. An error of a fifth has little effect (tried)."""

MOST_LIFT = 1.35
"""Lift coefficient at the stall, of a clean sailplane wing (common practice, no source)."""

SLOWEST_MPS = 12.0

TYPICAL_LOADING_KGPM2 = 28.0
"""Wing loading assumed without a glider file: a light two-seater or a dry single-seater (common practice,
no source)."""


TYPICAL_POLAR = QuadraticPolar(0.0042, -0.181, 2.73)
"""Sink assumed inside the filter without a glider file: 0.78 m/s at least, a glide of 30 at 25.5 m/s."""


@dataclass(frozen=True, slots=True)
class Wing:
    """The glider as the filter sees it: lift constant K = 2(m/S)/(ρ0·CLα) in m, and the polar if known.

    The polar is that of the present mass.
    """

    lift_m: float
    polar: QuadraticPolar | None = None

    @classmethod
    def loaded(
        cls, loading_kgpm2: float = TYPICAL_LOADING_KGPM2, polar: QuadraticPolar | None = None
    ) -> Wing:
        """The wing at a loading of mass over area."""
        return cls(2.0 * loading_kgpm2 / (SEA_LEVEL_KGPM3 * LIFT_SLOPE_PER_RAD), polar)

    def carries_from_mps(self, density_ratio: float) -> float:
        """True airspeed at which the wing takes the weight off the wheel, a little below the stall.

        Without a glider file the glider is not known, and this is the value of a slow one.
        """
        if self.polar is None:
            return SLOWEST_MPS
        stall_mps = math.sqrt(G0_MPS2 * self.lift_m * LIFT_SLOPE_PER_RAD / MOST_LIFT)
        return max(SLOWEST_MPS, 0.9 * stall_mps / math.sqrt(density_ratio))

    def sink_mps(self, tas_mps: float, load: float, density_ratio: float) -> float:
        """Sink in still air at a load factor, from the polar of the glider or a typical one."""
        root = math.sqrt(density_ratio)
        return (self.polar or TYPICAL_POLAR).sink_loaded_mps(tas_mps * root, load) / root
