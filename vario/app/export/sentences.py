"""A replayed flight as NMEA 0183 sentences: to a file, or to a device at flight speed."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path

from vario.app.errors import AppError
from vario.app.nmea.kept import KeptSink
from vario.app.nmea.out import NmeaOutput
from vario.app.nmea.sinks import FileSink, open_sink
from vario.flight.inputs.frames import JUMP_S
from vario.flight.reading import Reading


def write_nmea(readings: Iterable[Reading], start_utc: datetime | None, path: Path, rate_hz: float) -> None:
    """Write all sentences of the flight.

    Raises:
        OutputError: if the file cannot be written.
    """
    with FileSink(path) as sink:
        output = NmeaOutput(sink, rate_hz, lambda: start_utc)
        for reading in readings:
            output.update(reading)


def play_nmea(
    readings: Iterable[Reading],
    start_utc: datetime | None,
    address: str,
    rate_hz: float,
    speed: float = 1.0,
    *,
    now: Callable[[], float] = time.monotonic,
    wait: Callable[[float], None] = time.sleep,
) -> None:
    """Send the sentences to `address`, at `speed` times the speed of the flight.

    Gaps in the recording are skipped.

    Raises:
        AppError: if the address cannot be used, or the speed is not above zero.
    """
    if not 0.0 < speed <= 1000.0:
        raise AppError(f"--speed {speed:g}: expected above 0 and up to 1000")
    open_sink(address).close()  # report an unusable address before anything is played
    output = NmeaOutput(KeptSink(address), rate_hz, lambda: start_utc)
    try:
        due_s, before_s = now(), None
        for reading in readings:
            step_s = 0.0 if before_s is None else reading.t_s - before_s
            before_s = reading.t_s
            due_s += step_s / speed if 0.0 < step_s <= JUMP_S else 0.0
            early_s = due_s - now()
            if early_s > 0.0:
                wait(early_s)
            output.update(reading)
    finally:
        output.close()
