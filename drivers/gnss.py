"""A GNSS receiver on a serial line that sends NMEA 0183 or, from u-blox, NAV-PVT, at any baud rate.

All sentences of an epoch (those with the same UTC time) count as arrived with the first byte of the first
one. The time of the samples is that arrival minus the latency of the receiver. Only its maker can state the
latency; 0.1 s is usual. NMEA has no vertical speed, so `down_mps` is None; NAV-PVT (UBX protocol) has it.
While NAV-PVT arrives, positions and velocities of sentences are not used.

If the loop is late, it reads several epochs at once. The last of them has just arrived; the others are older
by the difference of their UTC times.

A VTG contains no time. Between one sentence with a time and the next, the longest pause separates the two
epochs. A VTG after a pause is therefore held until it is known to which epoch it belongs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from drivers.errors import BadChecksumError, SilentError
from drivers.nmea import Fix
from drivers.port import Port
from drivers.samples import GnssPos, GnssVel
from drivers.sensor import Driver, DriverCoroutine, SensorIdentity
from drivers.ubx import MessageSplitter, read_message

BAUDS = (9600, 38400, 115200, 57600, 4800, 19200, 230400)
"""Baud rates in the order of the search: the usual factory settings, the most common ones first."""

LISTEN_HZ = 50.0
TRY_S = 2.5  # at 4800 baud and one epoch a second two sentences may take that long
VALID_SENTENCES = 2
SILENT_AFTER_S = 5.0
NMEA_AFTER_S = 2.0
"""Sentences give position and velocity only if no NAV-PVT has arrived for this time."""

VTG_AFTER_S = 2.0
"""VTG gives the velocity only if no RMC has arrived for this time."""

PAUSE_S = 1.5 / LISTEN_HZ
"""A longer time between two sentences is a pause; a shorter one may only be the rhythm of the reads."""

UTC_AGREES_S = 1.0


@dataclass(slots=True)
class GnssStatus:
    """The state that the receiver reports, for `vario check`. None: not reported."""

    baud: int | None = None
    has_fix: bool | None = None
    dimensions: int | None = None
    satellites: int | None = None
    hdop: float | None = None
    sentences: int = 0
    garbled: int = 0


class GnssReceiver(Driver):
    """Driver of a receiver.

    Args:
        port: its serial line.
        baud: its baud rate; None: search for it.
        latency_s: the time from the instant of a fix to its first byte.
        rate_hz: fixes per second it is configured for; only for its identity.

    Raises:
        ValueError: if no receiver can have that latency or rate.
    """

    def __init__(
        self, port: Port, baud: int | None = None, latency_s: float = 0.1, rate_hz: float = 1.0
    ) -> None:
        if not (0.0 <= latency_s <= 10.0 and 0.0 < rate_hz <= 100.0):
            raise ValueError(
                f"GNSS: latency {latency_s} s, rate {rate_hz} Hz; expected 0 to 10 s, and up to 100 Hz"
            )
        super().__init__(
            SensorIdentity("GNSS", port.name, ("gnss_pos", "gnss_vel"), rate_hz, delay_s=latency_s), LISTEN_HZ
        )
        self.port = port
        self.baud = baud
        self.latency_s = latency_s
        self.status = GnssStatus()
        self.utc_at_zero: datetime | None = None
        """The UTC instant at which the clock of the loop was 0; None until two sentences agree."""
        self._forget()

    def _forget(self) -> None:
        """Discard the state: it may be of another receiver, or old."""
        self._splitter = MessageSplitter()
        self._heard_s = 0.0
        self._line_s = 0.0
        self._ended_s: float = 0.0
        """When the latest sentence arrived."""
        self._run_s: float | None = None
        """When the present run of sentences without a pause began; None: one of them had a time."""
        self._pause_s: float = PAUSE_S
        """The longest pause since the last sentence with a time; at least the shortest pause."""
        self._undecided: tuple[float, float] | None = None
        """A velocity that arrived after the longest pause."""
        self._epoch: time | None = None
        self._latest: time | None = None
        """The latest UTC time in the present read."""
        self._epoch_s = 0.0
        self._rmc_s: float | None = None
        self._pvt_s: float | None = None
        self._utc_seen: datetime | None = None
        self.status.has_fix = self.status.dimensions = None

    @property
    def build_args(self) -> Mapping[str, object]:
        """The arguments of the constructor."""
        return {
            "receiver": self.port.name,
            "baud": self.baud,
            "latency_s": self.latency_s,
            "rate_hz": self.identity.rate_hz,
        }

    def setup(self, now_s: float) -> DriverCoroutine:
        """Find the baud rate at which sentences are valid."""
        self._forget()
        bauds = BAUDS if self.baud is None else (self.baud,)
        heard = 0
        for baud in bauds:
            self.port.set_baud(baud)
            splitter = MessageSplitter()
            until_s = now_s + TRY_S
            while now_s < until_s:
                now_s = yield now_s + 1.0 / LISTEN_HZ
                data = self.port.read()
                heard += len(data)
                splitter.feed(data)
                if splitter.good >= VALID_SENTENCES:
                    self.status.baud = baud
                    self._heard_s = now_s
                    return
        tried = ", ".join(str(baud) for baud in bauds)
        if heard == 0:
            raise SilentError(
                f"nothing arrives (tried {tried} baud)",
                "Check its supply, and that its TX goes to RX of the Pi",
            )
        raise SilentError(
            f"{heard} bytes arrived but no NMEA sentence and no UBX message (tried {tried} baud)",
            "The receiver may be set to another protocol or another speed; or RX and ground are loose",
        )

    def measure(self, now_s: float) -> None:
        """Read what has arrived."""
        data = self.port.read()
        garbled = self._splitter.garbled
        if not self._splitter.within_a_line:
            if data:
                self._line_s = now_s
            elif now_s - self._ended_s > self._pause_s:
                self._emit_undecided()  # this pause is already the longest
        fixes = [read_message(message) for message in self._splitter.feed(data)] if data else []
        self._latest = next((fix.utc_time for fix in reversed(fixes) if fix and fix.utc_time), None)
        for fix in fixes:
            self._heard_s = now_s
            self.status.sentences += 1
            self._note_pause()
            if fix is not None:
                self._use(fix)
            self._line_s = now_s
            self._ended_s = now_s
        if self._splitter.garbled > garbled:
            self.status.garbled = self._splitter.garbled
            raise BadChecksumError(
                f"checksum wrong in {self._splitter.garbled - garbled} sentences or messages",
                "A loose wire, or interference",
            )
        if now_s - self._heard_s > SILENT_AFTER_S:
            raise SilentError(f"no sentence for {SILENT_AFTER_S:g} s", "Check its supply and wires")

    def _use(self, fix: Fix) -> None:
        status = self.status
        status.hdop = fix.hdop if fix.hdop is not None else status.hdop
        status.satellites = fix.satellites if fix.satellites is not None else status.satellites
        status.dimensions = fix.dimensions or status.dimensions
        status.has_fix = fix.has_fix if fix.has_fix is not None else status.has_fix
        if fix.kind in {"RMC", "PVT"}:
            self._undecided = None  # these give the velocity of their epoch themselves
        if fix.kind == "PVT":
            self._pvt_s = self._heard_s
        elif self._pvt_s is not None and self._heard_s - self._pvt_s < NMEA_AFTER_S:
            return
        if fix.utc_time is not None:
            self._note_epoch(fix.utc_time)
        elif fix.kind == "PVT":  # before the receiver knows the time; each message is an epoch
            self._epoch, self._epoch_s, self._run_s = None, self._line_s, None
        t_s = self._t_s
        if fix.utc is not None:
            self._note_utc(fix.utc - timedelta(seconds=t_s))
        if fix.position is not None and status.dimensions in {None, 3}:  # without three, no height
            self.emit(GnssPos(t_s, *fix.position))
        if fix.kind == "RMC":
            self._rmc_s = t_s
        if fix.velocity_mps is None:
            return
        if fix.kind in {"RMC", "PVT"}:
            self.emit(GnssVel(t_s, *fix.velocity_mps, fix.down_mps))
        elif self._pause_s > PAUSE_S:
            self._undecided = fix.velocity_mps
        else:
            self._emit_vtg(fix.velocity_mps)

    @property
    def _t_s(self) -> float:
        return max(0.0, self._epoch_s - self.latency_s)

    def _note_pause(self) -> None:
        """Process a sentence."""
        pause_s = self._line_s - self._ended_s
        if pause_s > PAUSE_S:
            self._run_s = self._line_s
        if pause_s > self._pause_s:
            self._pause_s = pause_s
            self._emit_undecided()

    def _note_epoch(self, utc_time: time) -> None:
        """Process the time of a sentence: it belongs to the present epoch or begins the next one."""
        if utc_time != self._epoch:
            begun_s = self._line_s if self._run_s is None else self._run_s
            waited_s = _apart_s(utc_time, self._latest or utc_time) if begun_s == self._heard_s else 0.0
            self._epoch, self._epoch_s = utc_time, begun_s - waited_s
        self._run_s, self._pause_s = None, PAUSE_S
        self._emit_undecided()

    def _emit_undecided(self) -> None:
        velocity_mps, self._undecided = self._undecided, None
        if velocity_mps is not None:
            self._emit_vtg(velocity_mps)

    def _emit_vtg(self, velocity_mps: tuple[float, float]) -> None:
        if not self._is_superfluous(self._t_s):
            self.emit(GnssVel(self._t_s, *velocity_mps, None))

    def _is_superfluous(self, t_s: float) -> bool:
        """Whether to ignore a VTG: RMC gives the velocity, or the VTG belongs to no epoch with a fix."""
        if self._epoch is None or not self.status.has_fix:
            return True
        return self._rmc_s is not None and t_s - self._rmc_s < VTG_AFTER_S

    def _note_utc(self, at_zero: datetime) -> None:
        """Accept the UTC time when two in a row agree; it may jump when the leap seconds become known."""
        if (
            self._utc_seen is not None
            and abs((at_zero - self._utc_seen).total_seconds()) < UTC_AGREES_S
            and (
                self.utc_at_zero is None or abs((at_zero - self.utc_at_zero).total_seconds()) >= UTC_AGREES_S
            )
        ):
            self.utc_at_zero = at_zero
        self._utc_seen = at_zero


def _apart_s(earlier: time, later: time) -> float:
    """Seconds between two times of day, across midnight too; 0 where a loop cannot have been that late."""
    day = datetime.min + timedelta(days=1)
    apart = (datetime.combine(day, later) - datetime.combine(day, earlier)) % timedelta(days=1)
    return apart.total_seconds() if apart.total_seconds() <= SILENT_AFTER_S else 0.0
