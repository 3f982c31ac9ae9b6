"""Height, speed and energy of the glider, and their rates."""

from __future__ import annotations

from drivers.quick import dataclass


@dataclass(frozen=True, slots=True)
class Noise:
    """White noise of one sample, standard deviation."""

    baro_pa: float
    pitot_pa: float


@dataclass(frozen=True, slots=True)
class Energy:
    """Height, speed and their rates. None: not known.

    `altitude_m` is pressure altitude in the standard atmosphere. `vario_mps` is the total-energy climb rate,
    undamped; without airspeed it is the climb rate of the height alone, and `compensated` is False.
    `energy_altitude_m` is height + V²/2g, or the height alone if not compensated; height here is
    altitude corrected for the temperature of the air, so that its changes are true metres.
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
