"""Pack columns of numbers into text for a page: multiples of a step in 8, 16 or 32 bits, in base 64."""

from __future__ import annotations

import base64
from array import array
from typing import Any

import numpy as np

_TYPES: tuple[tuple[str, Any], ...] = (("i8", np.int8), ("i16", np.int16), ("i32", np.int32))


def packed(values: array[float], step: float) -> dict[str, Any]:
    """A column in the narrowest integer type that fits; NaN becomes its lowest value.

    Args:
        values: the column; NaN is no data.
        step: value of one integer unit. Finer differences are lost.

    Returns:
        type, step, offset and the numbers in little-endian order: value = offset + step * number.
    """
    column = np.frombuffer(values, float) if len(values) else np.zeros(0)
    known = np.isfinite(column)
    steps = np.round(np.where(known, column, 0.0) / step)
    low, high = (float(steps[known].min()), float(steps[known].max())) if known.any() else (0.0, 0.0)
    middle = np.floor((low + high) / 2)
    name, kind = next(
        ((name, kind) for name, kind in _TYPES if high - middle < np.iinfo(kind).max), _TYPES[-1]
    )
    limits = np.iinfo(kind)
    # A value beyond 32 bits is clipped instead of wrapped.
    whole = np.clip(steps - middle, limits.min + 1, limits.max)
    numbers = np.where(known, whole, limits.min).astype(kind)
    return {
        "type": name,
        "step": step,
        "offset": float(middle * step),
        "data": base64.b64encode(numbers.astype(numbers.dtype.newbyteorder("<")).tobytes()).decode("ascii"),
    }
