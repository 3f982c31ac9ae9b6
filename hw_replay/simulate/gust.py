"""Single gusts, and winds given by layers."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True, slots=True)
class Gust:
    """A single gust that is the same everywhere at one time.

    It rises and decays as half a cosine wave: the discrete gust of MIL-F-8785C, section 3.7.2.3, as a
    function of time instead of distance.

    Attributes:
        at_s: start time.
        rise_s: rise time and decay time.
        lasts_s: time from the start to the start of the decay; infinite: no decay.
        north_mps: full velocity to the north.
        east_mps: full velocity to the east.
        up_mps: full velocity upwards.
    """

    at_s: float
    rise_s: float = 1.0
    lasts_s: float = math.inf
    north_mps: float = 0.0
    east_mps: float = 0.0
    up_mps: float = 0.0

    def share(self, t_s: float) -> float:
        """Strength of the gust at a time, 0 to 1."""
        return self._risen(t_s - self.at_s) - self._risen(t_s - self.at_s - self.lasts_s)

    def _risen(self, since_s: float) -> float:
        if since_s <= 0.0:
            return 0.0
        return 1.0 if since_s >= self.rise_s else 0.5 * (1.0 - math.cos(math.pi * since_s / self.rise_s))


class LayeredWind:
    """A wind given at some heights: linear between them, constant below the lowest and above the highest.

    Thermals remain vertical and drift, like turbulence, with the mean over the heights.

    Args:
        layers: height above the field, m, and velocity of the air north and east, m/s, in order of height.

    Raises:
        ValueError: if there is no layer, or the heights do not increase.
    """

    def __init__(self, layers: list[tuple[float, float, float]]) -> None:
        heights = [layer[0] for layer in layers]
        if not layers or any(b <= a for a, b in pairwise(heights)):
            raise ValueError(f"wind layers at {heights} m: expected at least one, and heights that rise")
        self._heights = heights
        self._layers = layers
        self.north_mps = self._mean(1)
        self.east_mps = self._mean(2)

    def velocity_mps(self, above_field_m: float) -> tuple[float, float]:
        """Velocity of the air north and east at a height."""
        place = bisect_right(self._heights, above_field_m)
        if place == 0 or place == len(self._layers):
            layer = self._layers[min(place, len(self._layers) - 1)]
            return layer[1], layer[2]
        (low, n0, e0), (high, n1, e1) = self._layers[place - 1], self._layers[place]
        share = (above_field_m - low) / (high - low)
        return n0 + share * (n1 - n0), e0 + share * (e1 - e0)

    def _mean(self, which: int) -> float:
        first, last = self._layers[0], self._layers[-1]
        if len(self._layers) == 1:
            return first[which]
        area = math.fsum(0.5 * (a[which] + b[which]) * (b[0] - a[0]) for a, b in pairwise(self._layers))
        return area / (last[0] - first[0])
