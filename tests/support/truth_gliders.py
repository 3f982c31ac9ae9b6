"""Glider files for the gliders of the flight-dynamics library, as a pilot would write them from a manual.

Mass and wing area are the library's own. The polars were fitted by `fit_polar` to flights of seed 1, and the
numbers kept; nothing is scored on that seed.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from drivers import isa
from tests.support.truth_flight import Sensors, fly
from vario.flight.motion.energy import Noise
from vario.settings.glider import Glider, Limits, Polar

NOISE = Noise(baro_pa=Sensors().baro_pa, pitot_pa=Sensors().pitot_pa)
"""Noise of the pressure sensors in the flights of these gliders."""


def _glider(name: str, mass_kg: float, area_m2: float, polar: tuple[float, float, float]) -> Glider:
    a, b, c = polar
    return Glider.model_validate(
        {
            "name": name,
            "reference_mass": f"{mass_kg} kg",
            "wing_area": f"{area_m2} m2",
            "polar": Polar.model_validate({"a": a, "b": b, "c": c}),
            "limits": Limits.model_validate(
                {
                    "stall": "15 m/s",
                    "manoeuvring": "35 m/s",
                    "rough_air": "35 m/s",
                    "never_exceed": "45 m/s",
                }
            ),
        }
    )


GLIDERS: Mapping[str, Glider] = MappingProxyType(
    {
        "sgs126": _glider("single-seater", 201.85, 14.864, (0.007827, -0.31562, 4.1781)),
        "sgs233": _glider("two-seater", 439.98, 20.390, (0.006301, -0.25835, 4.3259)),
    }
)
"""The gliders by their names in the library."""


def fit_polar(glider: str, cache: Path) -> NDArray[np.float64]:
    """c, b, a of sink = a·V² + b·V + c at sea-level density and 1 g, from the drag in truth flights."""
    rows, sinks = [], []
    for scene in ("speed_changes", "gust_steps"):
        truth = fly(scene, glider, 1, cache).truth
        truth = truth[(truth["t_s"] > 10.0) & (truth["load_factor"] > 0.5)]
        density = [
            isa.density_kgpm3(p, isa.temperature_k(isa.altitude_m(p))) for p in truth["static_pa"].tolist()
        ]
        root = np.sqrt(np.array(density) / isa.SEA_LEVEL_KGPM3)
        load = truth["load_factor"]
        eas = truth["tas_mps"] * root / np.sqrt(load)
        # vario − air is the work of drag alone; sink under load is n^1.5 that at V/√n.
        sinks.append((truth["air_up_mps"] - truth["vario_mps"]) * root / load**1.5)
        rows.append(np.stack([np.ones_like(eas), eas, eas * eas], axis=1))
    found = np.linalg.lstsq(np.concatenate(rows), np.concatenate(sinks), rcond=None)[0]
    return np.asarray(found, dtype=np.float64)
