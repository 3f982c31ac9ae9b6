"""A sink for sentences that may be missing at the start, be lost in flight and return."""

from __future__ import annotations

from vario.app.nmea.sinks import OpenSink, open_sink
from vario.app.outlet import FIRST_RETRY_S, Outlet


class KeptSink:
    """The sink of an address. It is opened as soon as possible, and reopened after a loss.

    Args:
        address: as in the settings.
        retry_s: see `Outlet`.
    """

    def __init__(self, address: str, retry_s: float = FIRST_RETRY_S) -> None:
        self._outlet: Outlet[OpenSink] = Outlet(
            "nmea",
            lambda: open_sink(address),
            lambda sink: sink.problem,
            lambda sink: sink.is_lost,
            without="without sentences",
            retry_s=retry_s,
        )

    @property
    def problem(self) -> str | None:
        """Why no sentences are sent; None if they are."""
        return self._outlet.problem

    def write(self, data: bytes) -> None:
        """Send whole sentences, or drop them."""
        self._outlet.give(lambda sink: sink.write(data))

    def close(self) -> None:
        """Close the serial line or the network port."""
        self._outlet.close()
