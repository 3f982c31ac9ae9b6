"""The simulated glider against an independent flight-dynamics library, in the same moving air.

The library (jsbsim) flies its own sailplane in six degrees of freedom. From its steady glides in still air
our glider gets a polar and a lift slope, and nothing else. Then all motions of the two are compared.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.isa import G0_MPS2, SEA_LEVEL_KGPM3
from hw_replay.simulate.air import AirModel, Atmosphere
from hw_replay.simulate.airframe import Airframe, AirframePolar
from hw_replay.simulate.flight import Scenario, motions
from hw_replay.simulate.glider import Motion
from hw_replay.simulate.plan import Phase, View, circle
from hw_replay.simulate.sensors import GeodeticOrigin
from tests.support.truth_air import PRELUDE_S, Scene, Wish
from tests.support.truth_dynamics import FT_M, RATE_HZ, TRUTH_DTYPE, Dynamics, Pilot, start_flight, truth_row

Air = Callable[[float], tuple[float, float, float]]
"""Velocity of the air north, east and up by the time since the scene began, the same everywhere."""

SECONDS = 60.0
SPEEDS_MPS = (22.0, 26.0, 32.0)
DAY = Atmosphere()


def still(_t_s: float) -> tuple[float, float, float]:
    return 0.0, 0.0, 0.0


def library(tas_mps: float, air: Air = still, bank_rad: float = 0.0) -> NDArray[np.void]:
    """A minute of the library's flight, after it has settled."""

    def wind(t_s: float, _north_m: float, _east_m: float) -> tuple[float, float, float]:
        return air(t_s) if t_s >= 0.0 else (0.0, 0.0, 0.0)

    scene = Scene(
        lambda _t, _lift: Wish(bank_rad=bank_rad, tas_mps=tas_mps),
        wind,
        tas_mps=tas_mps,
        duration_s=PRELUDE_S + SECONDS,
    )
    fdm = start_flight("sgs126", scene)
    rng = np.random.default_rng(1)
    pilot, dt_s, place_m, rows = StraightYawString(rng), 1.0 / RATE_HZ, [0.0, 0.0], []
    for step in range(1, round(scene.duration_s * RATE_HZ) + 1):
        moving = scene.air(step * dt_s, place_m, fdm["velocities/vt-fps"] * FT_M, rng, dt_s)
        for axis, speed_mps in zip(("north", "east", "down"), (*moving[:2], -moving[2]), strict=True):
            fdm[f"atmosphere/wind-{axis}-fps"] = speed_mps / FT_M
        pilot.fly(fdm, scene, step * dt_s, moving[2], dt_s)
        fdm.run()
        rows.append(truth_row(fdm, step * dt_s, place_m, moving))
    return np.array(rows, dtype=TRUTH_DTYPE)[round(PRELUDE_S * RATE_HZ) :]


class StraightYawString(Pilot):
    """A pilot who removes every sideslip, because our glider has none in a steady turn."""

    _held = 0.0

    def fly(self, fdm: Dynamics, scene: Scene, t_s: float, lift_mps: float, dt_s: float) -> None:
        super().fly(fdm, scene, t_s, lift_mps, dt_s)
        slip_rad = fdm["aero/beta-rad"]
        self._held += 2.0 * slip_rad * dt_s
        fdm["fcs/rudder-cmd-norm"] = max(-1.0, min(1.0, -6.0 * (slip_rad + self._held)))


class Uniform(AirModel):
    """Air whose motion is a given function of time."""

    def __init__(self, air: Air) -> None:
        super().__init__(DAY, field_m=-5000.0)
        self._air = air

    def velocity_mps(self, t_s: float, *_place: float) -> tuple[float, float, float]:
        return self._air(t_s)


def never(_view: View) -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Ours:
    """Our glider, made from steady glides of the library."""

    craft: Airframe

    def fly(
        self, like: NDArray[np.void], tas_mps: float, air: Air = still, bank_rad: float = 0.0
    ) -> list[Motion]:
        """The same minute in our simulator, from the height and heading of the library."""
        height_m = float(like["altitude_m"][0])
        ias_mps = tas_mps * math.sqrt(DAY.density_kgpm3(height_m) / SEA_LEVEL_KGPM3)
        steer = circle(bank_rad)
        scenario = Scenario(
            airframe=self.craft,
            air=Uniform(air),
            plan=[Phase("as told", ias_mps, never, steer)],
            place=GeodeticOrigin(47.0, 9.0),
            longest_s=SECONDS,
            runway_rad=float(like["heading_rad"][0]),
            airborne=(height_m + 5000.0, ias_mps),
            wobble=0.0,
        )
        return list(motions(scenario))


def energy_m(flown: NDArray[np.void]) -> NDArray[np.float64]:
    found: NDArray[np.float64] = flown["altitude_m"] + flown["tas_mps"] ** 2 / (2 * G0_MPS2)
    return found


def our_energy_m(flown: Sequence[Motion]) -> NDArray[np.float64]:
    return np.array([now.energy_height_m for now in flown])


@pytest.fixture(scope="module")
def ours() -> Ours:
    points, lifts, angles = [], [], []
    mass_kg, area_m2 = 202.0, 14.864  # of the library's model: 445 lb, 160 sq ft
    for speed in SPEEDS_MPS:
        settled = library(speed)[-3000:]
        density = DAY.density_kgpm3(float(settled["altitude_m"].mean()))
        thin = math.sqrt(SEA_LEVEL_KGPM3 / density)
        sink = (energy_m(settled)[0] - energy_m(settled)[-1]) / (settled["t_s"][-1] - settled["t_s"][0])
        points.append((speed / thin, float(sink) / thin))
        weight = mass_kg * G0_MPS2 * float(settled["load_factor"].mean())
        lifts.append(2.0 * weight / (density * speed**2 * area_m2))
        angles.append(float(settled["alpha_rad"].mean()))
    slope, at_zero = np.polyfit(angles, lifts, 1)
    craft = Airframe(
        polar=AirframePolar.through(*points),
        mass_kg=mass_kg,
        wing_area_m2=area_m2,
        lift_slope=float(slope),
        zero_lift_rad=float(-at_zero / slope),
        stall_rad=math.radians(14),
    )
    return Ours(craft)


@pytest.mark.long
def test_between_the_glides_it_was_made_from(ours: Ours) -> None:
    """Steady sink at a speed that was not used in the fit."""
    theirs = library(29.0)
    lost = energy_m(theirs)[-3000] - energy_m(theirs)[-1]
    flown = our_energy_m(ours.fly(theirs, 29.0))
    assert flown[-3000] - flown[-1] == pytest.approx(lost, rel=0.03)


@pytest.mark.long
def test_in_a_steady_turn(ours: Ours) -> None:
    """Turn rate and sink at the load factor of the library. Its deflected controls cause slightly more
    drag.
    """
    theirs = library(26.0, bank_rad=0.5)[-3000:]
    load = float(theirs["load_factor"].mean())
    flown = ours.fly(theirs, 26.0, bank_rad=math.acos(1.0 / load))[-3000:]
    heading = np.unwrap([now.euler_rad()[0] for now in flown])
    assert np.ptp(heading) == pytest.approx(np.ptp(np.unwrap(theirs["heading_rad"])), rel=0.01)
    lost = energy_m(theirs)[0] - energy_m(theirs)[-1]
    assert our_energy_m(flown)[0] - our_energy_m(flown)[-1] == pytest.approx(lost, rel=0.08)


@pytest.mark.long
def test_through_lift_and_sink(ours: Ours) -> None:
    """Ten seconds of rising air and ten of sinking, strongest 2 m/s: energy won and lost, all along."""

    def waves(t_s: float) -> tuple[float, float, float]:
        return 0.0, 0.0, 2.0 * math.sin(math.tau * t_s / 20.0)

    theirs = library(27.0, waves)
    flown = our_energy_m(ours.fly(theirs, 27.0, waves))
    gained = energy_m(theirs) - energy_m(theirs)[0]
    # Each wave is worth 12.7 m; the two differ by how their pilots follow the speed.
    assert np.ptp(gained + np.linspace(0.0, 1.2 * SECONDS, gained.size)) > 10.0
    assert float(np.abs(gained - (flown[: gained.size] - flown[0])).max()) < 2.5


@pytest.mark.long
def test_a_head_wind_that_comes_within_a_second(ours: Ours) -> None:
    """The jump of the energy height, and the remaining change of airspeed."""
    heading = float(library(27.0)["heading_rad"][500])

    def gust(t_s: float) -> tuple[float, float, float]:
        size = 4.0 * min(1.0, max(0.0, t_s - 5.0))
        return -size * math.cos(heading), -size * math.sin(heading), 0.0

    theirs = library(27.0, gust)
    flown = ours.fly(theirs, 27.0, gust)
    before, after = round(4.9 * RATE_HZ), round(6.1 * RATE_HZ)
    jump = energy_m(theirs)[after] - energy_m(theirs)[before]
    assert jump > 9.0  # V dV / g is 11 m, less the sink meanwhile
    energies = our_energy_m(flown)
    assert energies[after] - energies[before] == pytest.approx(jump, abs=0.6)
    faster = theirs["tas_mps"][after] - theirs["tas_mps"][before]
    assert flown[after].tas_mps - flown[before].tas_mps == pytest.approx(faster, abs=0.5)


@pytest.mark.long
def test_the_bump_of_a_sharp_gust_from_below(ours: Ours) -> None:
    """Load factor when 2 m/s of lift come at once: its peak, and that it is over after a second."""

    def bump(t_s: float) -> tuple[float, float, float]:
        return 0.0, 0.0, 2.0 * min(1.0, max(0.0, (t_s - 5.0) / 0.02))

    theirs = library(27.0, bump)["load_factor"][490:]
    flown = np.array([-now.force_mps2[2] / G0_MPS2 for now in ours.fly(library(27.0), 27.0, bump)[490:]])
    assert flown[:50].max() - 1.0 == pytest.approx(float(theirs[:50].max()) - 1.0, rel=0.06)
    # The nose follows the air: in 0.2 s in the library's light single-seater, in 0.6 s in our two-seater.
    for load in (theirs, flown):
        assert abs(load[130] - 1.0) < 0.15 * (load.max() - 1.0)
