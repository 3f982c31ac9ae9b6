"""The quadratic through three points."""

from __future__ import annotations

from collections.abc import Sequence


def quadratic_through(points: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """a, b and c of y = a x² + b x + c through three points with different x (divided differences)."""
    (x1, y1), (x2, y2), (x3, y3) = points
    slope = (y2 - y1) / (x2 - x1)
    a = ((y3 - y2) / (x3 - x2) - slope) / (x3 - x1)
    b = slope - a * (x1 + x2)
    return a, b, y1 - (a * x1 + b) * x1
