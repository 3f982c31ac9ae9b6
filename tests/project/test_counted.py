"""The count of instructions hands records from one process to the next, compiled or not."""

from __future__ import annotations

import pickle

from drivers.samples import Baro, ImuAccel
from tests.bench.counted import packed
from vario.flight.tone.stage import ToneCommand


def test_records_come_out_of_the_pack_as_they_went_in() -> None:
    records = (
        [Baro(0.0, 101325.0), ImuAccel(0.01, 0.0, 0.1, -9.80665)],
        [b"\x00"],
        [ToneCommand(440.0, 2.0, 0.5)],
    )
    assert pickle.loads(packed(records)) == records  # noqa: S301  (our own)
