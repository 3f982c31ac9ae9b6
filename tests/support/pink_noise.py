"""Pink noise, for sounds that must be heard in noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def pink(rng: np.random.Generator, size: int, rms: float) -> NDArray[np.float64]:
    """Noise with the same power in each third-octave band."""
    spectrum = np.fft.rfft(rng.standard_normal(size))
    noise = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(spectrum.size), 1.0)), size)
    return np.asarray(noise * (rms / np.sqrt(np.mean(noise**2))))
