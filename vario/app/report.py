"""The picture of a flight: what the instrument showed, on one page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


def write_report(
    path: str | Path,
    trace: Mapping[str, NDArray[Any]],
    climbs: Sequence[Mapping[str, Any]],
    title: str,
    notes: Sequence[str] = (),
) -> None:
    """Draw the flight into a PNG file.

    Args:
        path: the file to write.
        trace: the columns of trace.csv by name, plus `north_m` and `east_m`, each of shape (n,): floats
            (NaN: no data) and, for `mode` and `quality`, text. Columns may be missing; n may be 0.
        climbs: one mapping a climb with start_s, end_s, gain_m, average_mps, turns and direction.
        title: heading of the page.
        notes: cautions, each a short sentence, for the foot of the page.

    Raises:
        OSError: if the file cannot be written.
    """
