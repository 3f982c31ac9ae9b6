"""Units in which other programs write values, with their factors and offsets to SI units."""

from __future__ import annotations

import math
from collections.abc import Mapping

from drivers.isa import CELSIUS_ZERO_K, G0_MPS2

_DEG = math.pi / 180.0
_FT = 0.3048
_MPS: Mapping[str, tuple[float, float]] = {
    "m/s": (1.0, 0.0),
    "km/h": (1.0 / 3.6, 0.0),
    "kt": (1852.0 / 3600.0, 0.0),
    "ft/min": (_FT / 60.0, 0.0),
    "cm/s": (0.01, 0.0),
    "mm/s": (0.001, 0.0),
}
IMPORT_UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "pa": {
        "Pa": (1.0, 0.0),
        "hPa": (100.0, 0.0),
        "mbar": (100.0, 0.0),
        "kPa": (1000.0, 0.0),
        "inHg": (3386.389, 0.0),
        "psi": (6894.757, 0.0),
    },
    "mps2": {"m/s^2": (1.0, 0.0), "g": (G0_MPS2, 0.0), "mg": (G0_MPS2 / 1000.0, 0.0)},
    "radps": {"rad/s": (1.0, 0.0), "deg/s": (_DEG, 0.0), "mdeg/s": (_DEG / 1000.0, 0.0)},
    "mps": _MPS,
    "deg": {"deg": (1.0, 0.0), "rad": (1.0 / _DEG, 0.0)},
    "rad": {"rad": (1.0, 0.0), "deg": (_DEG, 0.0)},
    "m": {"m": (1.0, 0.0), "ft": (_FT, 0.0), "km": (1000.0, 0.0), "cm": (0.01, 0.0), "mm": (0.001, 0.0)},
    "k": {"K": (1.0, 0.0), "C": (1.0, CELSIUS_ZERO_K), "F": (1.0 / 1.8, CELSIUS_ZERO_K - 32.0 / 1.8)},
    "v": {"V": (1.0, 0.0), "mV": (0.001, 0.0)},
    "1": {"1": (1.0, 0.0), "g": (1.0, 0.0)},
}
"""By the ending of the name of a value: units, each with the factor and the offset to the SI unit.

Exact by definition (SI brochure; NIST SP 811, appendix B), inHg and psi to seven digits from there.
"""
