"""Faults that no sensor shows by itself, because each reading alone is possible: other sensors contradict it.

Most faults last from `FROM_S` to `UNTIL_S`; those of wrong plumbing, a wrong sensor or a wrong mass exist
from the start. The flights are those of `contradiction_flights`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from hw_replay.simulate.faults import Fault

SHOWN_RAD2_S = 9.6e-3
"""Changes that show half the mass. With the right mass the incidence changes as the lift curve says, with
half of it twice as much; √(2 · 3 s · (0.003 rad)² / sum), relative to half of the true changes, is then 0.15.
0.003 rad is the scatter of an incidence that is measured as pitch minus path, correlated for 3 s.
"""

Truth = NDArray[np.void]
Floats = NDArray[np.float64]

FROM_S, UNTIL_S = 110.0, 180.0
SETTLED_S = 30.0
"""From here on a false climb counts; before, the estimator settles."""

FLIGHTS: Mapping[str, str] = MappingProxyType({"dives": "pull_ups", "circling": "thermal"})
"""Scenes of `estimator_flights` by name; each begins after 75 s of straight flight and turns."""

CIRCLED_S = 96.0
"""After 75 s the circling flight begins, with 21 s a turn."""


def _impact_pa(truth: Truth) -> Floats:
    """Impact pressure of compressible flow, ratio of specific heats 1.4."""
    pressure: Floats = truth["static_pa"] * ((1.0 + 0.2 * truth["mach"] ** 2) ** 3.5 - 1.0)
    return pressure


def _moved(truth: Truth) -> Floats:
    """Height since the beginning of the fault, m."""
    height: Floats = truth["altitude_m"] - np.interp(FROM_S, truth["t_s"], truth["altitude_m"])
    return height


def _lagged(truth: Truth) -> Floats:
    """Error of a height that follows with 5 s, m."""
    height = truth["altitude_m"]
    keep, now, out = math.exp(-0.01 / 5.0), float(height[0]), np.empty_like(height)
    for i, value in enumerate(height.tolist()):
        now = keep * now + (1.0 - keep) * value
        out[i] = value - now
    return out


def _exchanged(truth: Truth) -> Floats:
    """Kinetic height relative to its mean of the first 70 s, m: the error of a total-energy probe."""
    kinetic: Floats = truth["tas_mps"] ** 2 / (2.0 * G0_MPS2)
    return kinetic - float(kinetic[:7000].mean())


def _iced_mps(truth: Truth) -> Floats:
    """Error of the airspeed of an iced pitot: dV = dq/(ρV), m/s."""
    total = truth["static_pa"] + _impact_pa(truth)
    off_pa = np.interp(FROM_S, truth["t_s"], total) - total
    return off_pa * truth["tas_mps"] / (2.0 * _impact_pa(truth))


def _incidence_changes(truth: Truth) -> Floats:
    """Square of the changes of the incidence, summed over the time from `SETTLED_S` on, rad² s."""
    incidence, keep = truth["alpha_rad"], math.exp(-0.01 / 3.0)
    mean, out = float(incidence[0]), np.empty_like(incidence)
    for i, value in enumerate(incidence.tolist()):
        mean = keep * mean + (1.0 - keep) * value
        out[i] = value - mean
    out[truth["t_s"] < SETTLED_S] = 0.0
    summed: Floats = np.cumsum(out**2) * 0.01
    return summed


def _always(truth: Truth) -> Floats:
    return np.full(len(truth), math.inf)


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A fault and what is expected.

    Attributes:
        faults: the faults.
        says: words of `quality`, of which one must appear; empty: no sensor can show the fault.
        why: what shows it, or why nothing can.
        off: the effect of the fault in a flight, and the size from which it can be observed.
        from_s: the beginning; `seen_from_s` by flight: not observable earlier, whatever the effect.
        mass: mass in the settings over the true mass.
        flights: the flights that show it; in the others nothing is expected of `quality`.
    """

    faults: tuple[Fault, ...]
    says: tuple[str, ...]
    why: str
    off: Callable[[Truth], Floats] = _always
    least: float = 0.0
    from_s: float = FROM_S
    seen_from_s: float = FROM_S
    mass: float = 1.0
    flights: tuple[str, ...] = ("dives", "circling")


def _during(channel: str, kind: str, **how: float) -> tuple[Fault, ...]:
    return (Fault(channel, kind, FROM_S, UNTIL_S, **how),)  # type: ignore[arg-type]  # kinds by name


def _from_start(channel: str, kind: str, **how: float) -> tuple[Fault, ...]:
    return (Fault(channel, kind, **how),)  # type: ignore[arg-type]


_BARO, _SPEED, _ALTITUDE = ("baro_doubtful",), ("airspeed_doubtful",), ("gnss_altitude_doubtful",)

TABLE: Mapping[str, Contradiction] = MappingProxyType(
    {
        "pitot and drain iced": Contradiction(
            _during("pressures", "total blocked"),
            _SPEED,
            "The total pressure stays the same while the static pressure changes, and the airspeed "
            "contradicts the velocity over ground and the wind.",
            _iced_mps,
            4.0,
        ),
        "static ports iced": Contradiction(
            _during("pressures", "static blocked"),
            _BARO,
            "The inertial filter feels a climb or a descent that the barometer does not show, and the GNSS "
            "altitude confirms it, or the static pressure rests while the airspeed changes. In level flight "
            "nothing shows it, and nothing is wrong.",
            _moved,
            12.0,
        ),
        "static line with 5 s of lag": Contradiction(
            _from_start("pressures", "static lag", by_s=5.0),
            (*_BARO, "imu_off"),
            "The GNSS altitude is ahead of the barometer by the lag times the climb. The lag exists from the "
            "start, so the inertial unit may be blamed first.",
            _lagged,
            12.0,
            0.0,
            SETTLED_S,
        ),
        "barometer on a total-energy probe": Contradiction(
            _from_start("pressures", "static suction", size=1.0),
            (*_BARO, "imu_off"),
            "Changes of speed appear as changes of height that inertia and GNSS do not show. At constant "
            "speed nothing shows it, and the vario is right.",
            _exchanged,
            12.0,
            0.0,
            SETTLED_S,
            flights=("dives",),
        ),
        "pitot reads half, from 110 s on": Contradiction(
            _during("pitot", "scale", size=0.5),
            _SPEED,
            "No gust changes the airspeed by 29 % between two readings.",
        ),
        "pitot reads twice, from 110 s on": Contradiction(
            _during("pitot", "scale", size=2.0),
            _SPEED,
            "No gust changes the airspeed by 41 % between two readings.",
        ),
        "pitot reads half, from the start": Contradiction(
            _from_start("pitot", "scale", size=0.5),
            (*_SPEED, "airspeed_corrected"),
            "The velocity over ground changes by twice the airspeed in a circle. In straight flight the wind "
            "is not known, and a wrong scale looks like a wind.",
            from_s=0.0,
            seen_from_s=CIRCLED_S,
            flights=("circling",),
        ),
        "pitot reads twice, from the start": Contradiction(
            _from_start("pitot", "scale", size=2.0),
            (*_SPEED, "airspeed_corrected"),
            "As for half.",
            from_s=0.0,
            seen_from_s=CIRCLED_S,
            flights=("circling",),
        ),
        "pulses of a vent, 60 Pa for 2 s every 11 s": Contradiction(
            _during("baro", "bias", size=60.0, every_s=11.0, lasts_s=2.0),
            _BARO,
            "The inertial filter feels no motion at the pulses.",
        ),
        "radio, all sensors: noise x 30 for 3 s every 10 s": Contradiction(
            _during("all", "noise", size=30.0, every_s=10.0, lasts_s=3.0),
            (*_BARO, *_SPEED, "imu_off", "no_baro", "settling"),
            "The inertial filter contradicts itself and the other sensors.",
        ),
        "GNSS altitude stuck": Contradiction(
            _during("gnss_altitude", "freeze"),
            _ALTITUDE,
            "The barometer moves and the altitude does not; the inertial filter agrees with the barometer.",
            _moved,
            20.0,
        ),
        "GNSS altitude 400 m off": Contradiction(
            _during("gnss_altitude", "bias", size=400.0),
            _ALTITUDE,
            "The altitude jumps and the barometer does not. From the start nothing shows it: the pressure "
            "altitude differs by up to 300 m because of the weather.",
        ),
        "mass half of the true one": Contradiction(
            (),
            ("mass_doubtful",),
            "In changes of speed in calm air the incidence changes twice as much as it should. In circles "
            "and in rough air nothing shows it. Netto and speed to fly are wrong: check the mass in the "
            "settings before the flight.",
            _incidence_changes,
            SHOWN_RAD2_S,
            0.0,
            SETTLED_S,
            mass=0.5,
            flights=("dives",),
        ),
    }
)
