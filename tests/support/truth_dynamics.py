"""Gliders of the general flight-dynamics library jsbsim, flown 6-DOF by a simple pilot.

The library integrates the motion, the aerodynamics and the atmosphere; this file adds the moving air (set
each step as the library's wind) and the pilot. The result is a truth record at 100 Hz.

Truth of the vario: total energy freed of horizontal gusts,
`w + V (f·v)/g = climb + V (a·v)/g`, with w the air's vertical motion, V true airspeed, v the unit
vector along the velocity through the air, f specific force and a = f + g the acceleration. It follows
from the derivative of h + V²/2g without the acceleration of the air.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.support import missing
from tests.support.truth_air import PRELUDE_S, Scene

G0_MPS2 = 9.80665
RATE_HZ = 100
FT_M = 0.3048
PSF_PA = 47.880259
TRUTH_COLUMNS = (
    *("t_s", "altitude_m", "climb_mps", "north_m", "east_m", "north_mps", "east_mps", "tas_mps"),
    *("pitch_rad", "bank_rad", "heading_rad", "alpha_rad", "beta_rad", "load_factor"),
    *("air_up_mps", "air_north_mps", "air_east_mps", "vario_mps", "static_pa", "mach"),
    *("fx_mps2", "fy_mps2", "fz_mps2", "p_radps", "q_radps", "r_radps"),
)

TRUTH_DTYPE = np.dtype([(name, np.float64) for name in TRUTH_COLUMNS])
Dynamics = Any
"""jsbsim's FGFDMExec; the library may be missing."""


class Pilot:
    """Holds bank and either pitch or airspeed; keeps the yaw string roughly straight.

    Gains were set by hand until both gliders flew each scene without oscillation.
    """

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._pitch_trim = 0.0
        self._speed_trim = 0.0
        self._feet = 0.0  # error of the rudder: slip with 3 s correlation, 1.5° RMS

    def fly(self, fdm: Dynamics, scene: Scene, t_s: float, lift_mps: float, dt_s: float) -> None:
        wish = scene.wish(t_s, lift_mps)
        pitch, bank = fdm["attitude/theta-rad"], fdm["attitude/phi-rad"]
        v_mps = fdm["velocities/vt-fps"] * FT_M
        wanted = wish.pitch_rad
        if wanted is None:
            fast = v_mps - wish.tas_mps
            self._speed_trim = max(-0.2, min(0.2, self._speed_trim + 0.004 * fast * dt_s))
            wanted = max(-0.35, min(0.45, -0.04 + self._speed_trim + 0.03 * fast))
        off = wanted - pitch
        self._pitch_trim = max(-0.6, min(0.6, self._pitch_trim + 0.8 * off * dt_s))
        turning = fdm["velocities/r-rad_sec"] * math.tan(bank) if abs(bank) < 1.2 else 0.0
        pitch_rate = fdm["velocities/q-rad_sec"] - turning
        stick = wish.elevator
        if stick is None:
            stick = -(1.6 * off + self._pitch_trim) + 0.9 * pitch_rate
        fdm["fcs/elevator-cmd-norm"] = max(-1.0, min(1.0, stick))
        roll = (
            2.0 * (wish.bank_rad - bank) - 0.8 * fdm["velocities/p-rad_sec"]
            if wish.roll is None
            else wish.roll
        )
        fdm["fcs/aileron-cmd-norm"] = max(-1.0, min(1.0, roll))
        self._feet += (
            -self._feet * dt_s / 3.0 + 0.026 * math.sqrt(2.0 * dt_s / 3.0) * self._rng.standard_normal()
        )
        fdm["fcs/rudder-cmd-norm"] = max(-1.0, min(1.0, -6.0 * (fdm["aero/beta-rad"] - self._feet)))


def start_flight(glider: str, scene: Scene, aircraft: Path | None = None) -> Dynamics:
    """The glider in straight flight; `aircraft`: a folder with altered files of the library's gliders."""
    jsbsim = missing.library("jsbsim", missing.JSBSIM)
    jsbsim.FGJSBBase().debug_lvl = 0
    fdm = jsbsim.FGFDMExec(None)
    fdm.set_debug_level(0)
    if aircraft is not None:
        fdm.set_aircraft_path(str(aircraft))
    fdm.load_model(glider)
    fdm.set_dt(1.0 / RATE_HZ)
    for seat in range(2 if glider == "sgs233" else 0):
        # the two-seater as shipped is so nose-heavy with its crew that it cannot fly slowly
        fdm[f"inertia/pointmass-location-X-inches[{seat}]"] = 103.2
    wind_north, wind_east, _ = scene.wind(-PRELUDE_S, 0.0, 0.0)
    for name, value in (
        ("ic/h-sl-ft", scene.altitude_m / FT_M),
        ("ic/lat-geod-deg", 47.0),
        ("ic/long-gc-deg", 9.0),
        ("ic/psi-true-deg", 0.0),
        ("ic/theta-deg", -1.0),
        ("ic/vn-fps", (scene.tas_mps + wind_north) / FT_M),
        ("ic/ve-fps", wind_east / FT_M),
        ("ic/vd-fps", 1.0 / FT_M),
    ):
        fdm[name] = value
    fdm.run_ic()
    return fdm


def truth_row(fdm: Dynamics, t_s: float, place_m: list[float], air: tuple[float, ...]) -> tuple[float, ...]:
    mass = fdm["inertia/mass-slugs"]
    force = [fdm[f"forces/fb{axis}-total-lbs"] / mass * FT_M for axis in "xyz"]
    relative = [fdm[f"velocities/{axis}-aero-fps"] * FT_M for axis in "uvw"]
    tas = math.sqrt(sum(c * c for c in relative))
    drag_power = sum(f * v for f, v in zip(force, relative, strict=True)) / G0_MPS2
    return (
        t_s,
        fdm["position/h-sl-ft"] * FT_M,
        fdm["velocities/h-dot-fps"] * FT_M,
        place_m[0],
        place_m[1],
        fdm["velocities/v-north-fps"] * FT_M,
        fdm["velocities/v-east-fps"] * FT_M,
        tas,
        fdm["attitude/theta-rad"],
        fdm["attitude/phi-rad"],
        fdm["attitude/psi-rad"],
        fdm["aero/alpha-rad"],
        fdm["aero/beta-rad"],
        -force[2] / G0_MPS2,
        air[2],
        air[0],
        air[1],
        air[2] + drag_power,
        fdm["atmosphere/P-psf"] * PSF_PA,
        fdm["velocities/mach"],
        *force,
        fdm["velocities/pi-rad_sec"],
        fdm["velocities/qi-rad_sec"],
        fdm["velocities/ri-rad_sec"],
    )


def step_flight(
    fdm: Dynamics, scene: Scene, pilot: Pilot, t_s: float, *, place_m: list[float], rng: np.random.Generator
) -> tuple[float, ...]:
    """One step of the flight to the time `t_s`; changes `place_m`, and returns the row of truth."""
    dt_s = 1.0 / RATE_HZ
    air = scene.air(t_s, place_m, fdm["velocities/vt-fps"] * FT_M, rng, dt_s)
    fdm["atmosphere/wind-north-fps"] = air[0] / FT_M
    fdm["atmosphere/wind-east-fps"] = air[1] / FT_M
    fdm["atmosphere/wind-down-fps"] = -air[2] / FT_M
    pilot.fly(fdm, scene, t_s, air[2], dt_s)
    fdm.run()
    place_m[0] += fdm["velocities/v-north-fps"] * FT_M * dt_s
    place_m[1] += fdm["velocities/v-east-fps"] * FT_M * dt_s
    return truth_row(fdm, t_s, place_m, air)


def integrate(
    glider: str, scene: Scene, rng: np.random.Generator, until_s: float = math.inf
) -> NDArray[np.void]:
    fdm = start_flight(glider, scene)
    pilot, place_m = Pilot(rng), [0.0, 0.0]
    rows = []
    for step in range(1, round(min(until_s, scene.duration_s) * RATE_HZ) + 1):
        t_s = step * (1.0 / RATE_HZ)
        rows.append(step_flight(fdm, scene, pilot, t_s, place_m=place_m, rng=rng))
    return np.array(rows, dtype=TRUTH_DTYPE)
