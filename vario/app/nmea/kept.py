"""A sink for sentences that may be missing at the start, go in flight and come back."""

from __future__ import annotations

from vario.app.nmea.sinks import OpenSink, open_sink
from vario.outlet import FIRST_RETRY_S, Outlet


class KeptSink:
    """The sink an address names, opened as soon as it can be, and again when it has gone.

    Args:
        address: as the settings have it.
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
        """Why no sentence gets out; None if all is well."""
        return self._outlet.problem

    def write(self, data: bytes) -> None:
        """Pass on whole sentences, or drop them."""
        self._outlet.give(lambda sink: sink.write(data))

    def close(self) -> None:
        """Let go of the line or the network."""
        self._outlet.close()
