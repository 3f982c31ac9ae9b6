"""The recorded words of one language, and sentences made of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.quick import dataclass
from vario.sound.cue_sounds import CueSound
from vario.sound.grid import all_on_grid, soft_edge

ROOM = 0.3
"""Share of the amplitude that the tone keeps during speech (10 dB less): it stays audible, and the speech
intelligibility index over it is 0.9 or more (`python -m tests.bench.voice`)."""

EDGE_S = 0.06
"""The tone is lowered, and raised again, in this time. A pause between words is not long enough for it."""

PAUSE_S = 0.05
"""Silence between words."""

_BOUND_S = 0.010
"""Half the width of the filter that makes the upper bound of a word."""


@dataclass(frozen=True, slots=True)
class _Word:
    samples: NDArray[np.float32]
    envelope: NDArray[np.float32]


class WordBank:
    """Makes sentences.

    Args:
        words: samples of each word at this rate; full scale is 1; shape (n,).
        sample_rate_hz: samples per second.
    """

    def __init__(self, words: Mapping[str, NDArray[np.floating[Any]]], sample_rate_hz: int) -> None:
        self.sample_rate_hz = sample_rate_hz
        reach = round(_BOUND_S * sample_rate_hz)
        self._words = {name: _bounded(samples, reach) for name, samples in words.items()}
        self._pause = round(PAUSE_S * sample_rate_hz)
        edge = np.arange(round(EDGE_S * sample_rate_hz)) / (EDGE_S * sample_rate_hz)
        self._edge = all_on_grid(soft_edge(edge))

    def samples(self, word: str) -> NDArray[np.float32] | None:
        """The samples of one word at level 1, shape (n,); None if it is missing."""
        found = self._words.get(word)
        return None if found is None else found.samples

    def sentence(self, words: Sequence[str]) -> CueSound | None:
        """The sound of these words at level 1; None if a word is missing, because the rest could mislead."""
        found = [self._words.get(word) for word in words]
        spoken = [word for word in found if word is not None]
        if not spoken or len(spoken) < len(found):
            return None
        lengths = [word.samples.size + self._pause for word in spoken]
        lead = self._edge.size
        samples, envelope = (np.zeros(lead + sum(lengths) + lead, np.float32) for _ in range(2))
        at = lead
        for word, length in zip(spoken, lengths, strict=True):
            samples[at : at + word.samples.size] = word.samples
            envelope[at : at + word.samples.size] = word.envelope
            at += length
        room = np.full(samples.size, ROOM, np.float32)
        room[:lead] = 1.0 - (1.0 - ROOM) * self._edge
        room[-lead:] = room[:lead][::-1]
        return CueSound(samples, envelope, room)


def _bounded(samples: NDArray[np.floating[Any]], reach: int) -> _Word:
    """The word with a smooth upper bound of its magnitude, both rounded to the grid."""
    from scipy.ndimage import maximum_filter1d, uniform_filter1d  # noqa: PLC0415  (slow to load)

    rounded = all_on_grid(np.asarray(samples, np.float64))
    # The mean of maxima that all include the sample itself is not below it.
    bound = uniform_filter1d(maximum_filter1d(np.abs(rounded), 2 * reach + 1, mode="constant"), reach)
    bound = np.minimum(np.maximum(all_on_grid(bound), np.abs(rounded)), 1.0)
    return _Word(rounded.astype(np.float32), bound.astype(np.float32))
