"""Loudness by ISO 532-1, with an independent library."""

from __future__ import annotations

import math
from typing import Any

from numpy.typing import NDArray

from tests.support import missing

RATE_HZ = 48_000
FULL_SCALE_PA = 2.0  # 97 dB at the ear: a sine of full scale; a cockpit is loud


def phon(pcm: NDArray[Any]) -> float:
    """Loudness level (Zwicker, stationary, free field) of samples of 16 bits at 48 kHz."""
    mosqito = missing.library("mosqito.sq_metrics")
    pressure_pa = pcm / 32768.0 * FULL_SCALE_PA
    sone, _, _ = mosqito.loudness_zwst(pressure_pa, RATE_HZ)
    return float(40.0 + 10.0 * math.log2(sone))
