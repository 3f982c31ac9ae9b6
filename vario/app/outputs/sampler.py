"""Make rows of outputs at a constant rate. An event between two rows is kept for the next one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from vario.app.outputs.output import Getter, Kind, Output, Value
from vario.app.outputs.pacer import Pacer
from vario.flight.reading import Reading


class Sampler:
    """Makes rows of values at a given rate.

    Args:
        outputs: the columns of the row.
        rate_hz: rows per second.
        start_utc: the time of `t_s` = 0, for outputs of `Kind.UTC`; None: unknown, these outputs are
            empty.
    """

    def __init__(self, outputs: Sequence[Output], rate_hz: float, start_utc: datetime | None = None) -> None:
        self._pacer = Pacer(rate_hz)
        self._getters = tuple(_getter(output, start_utc) for output in outputs)
        self._events = [_Events(place, output) for place, output in enumerate(outputs) if output.number_of]
        self._latest: Reading | None = None

    def take(self, reading: Reading) -> list[Value] | None:
        """Call this with every reading. Returns the values of a row, or None if no row is due."""
        for events in self._events:
            # Checked here and not in a method of `events`, because this runs in every frame.
            number = events.number_of(reading)
            if number != events.number:
                events.add(number, reading)
        self._latest = reading
        return self._row(reading) if self._pacer.due(reading.t_s) else None

    def rest(self) -> list[Value] | None:
        """Call this after the last reading: one more row, if an event has occurred since the last row."""
        if self._latest is None or not any(events.waiting for events in self._events):
            return None
        return self._row(self._latest)

    def _row(self, reading: Reading) -> list[Value]:
        values = [value_of(reading) for value_of in self._getters]
        for events in self._events:
            if events.waiting:
                values[events.place] = "+".join(events.waiting)
                events.waiting = []
        return values


class _Events:
    """The events of one output that are not yet in a row."""

    def __init__(self, place: int, output: Output) -> None:
        assert output.number_of is not None  # noqa: S101  (the caller has looked)
        self.place = place
        self.waiting: list[str] = []
        self.number_of = output.number_of
        self.number: int | None = None
        self._value_of = output.value_of

    def add(self, number: int | None, reading: Reading) -> None:
        self.number = number
        if number is not None:
            self.waiting.append(str(self._value_of(reading)))


def _getter(output: Output, start_utc: datetime | None) -> Getter:
    """The function for the value of a row; for an event it gives nothing, unless an event is waiting."""
    if output.kind is Kind.EVENT or (output.kind is Kind.UTC and start_utc is None):
        return lambda _: None
    if output.kind is Kind.UTC and start_utc is not None:
        zero = start_utc.astimezone(UTC).replace(tzinfo=None)
        return lambda r: (zero + timedelta(seconds=r.t_s)).isoformat(timespec="milliseconds") + "Z"
    return output.value_of
