"""Loudness of a tone: the weighting curve of sound level meters, applied to the partials of a timbre.

Two published curves describe how the ear weights frequencies: the equal-loudness contours of ISO
226:2003, for pure tones from the front in a free field, and the smoother A-weighting of IEC 61672-1. A
timbre has several partials, and partials more than a critical band apart add more loudness than power.
The combination of A-weighted partials with an exponent between that of power (2) and that of loudness
(0.6, Stevens 1955, from memory) is the most uniform in the loudness model of ISO 532-1: within 2.5 phon
over lift and sink. The ISO 226 contour of 70 phon gave 4 phon, mainly because of its dip at 1.5 kHz.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

_ADDING = 1.1
"""Exponent for the sum of the partials."""

_LOWEST_HZ = 200.0
"""Below this frequency the amplitude is not increased further: small loudspeakers cannot reproduce it."""


def a_weighting(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain of the A-weighting; 1 at 1 kHz (IEC 61672-1:2013, 5.5.7, equation E.6; from memory)."""
    f2 = np.square(frequency_hz)
    poles = (f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2)
    return np.asarray(10.0**0.1 * 12194.0**2 * f2 * f2 / poles)


def amplitude_for(
    pitch_hz: NDArray[np.float64], partials: Sequence[tuple[float, float]]
) -> NDArray[np.float64]:
    """Factor that makes a timbre at these pitches as loud as a sine of amplitude 1 at 1 kHz.

    Args:
        pitch_hz: fundamental frequencies.
        partials: (multiple of the fundamental, amplitude) of each partial.
    """
    pitch_hz = np.maximum(pitch_hz, _LOWEST_HZ)
    heard = sum((amplitude * a_weighting(multiple * pitch_hz)) ** _ADDING for multiple, amplitude in partials)
    return np.asarray(heard ** (-1.0 / _ADDING))
