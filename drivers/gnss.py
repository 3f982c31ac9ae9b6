"""A GNSS receiver on a serial line: any that speaks NMEA 0183, at whatever speed it speaks.

All sentences of an epoch (those with the same UTC time) count as arrived with the first byte of the first
of them; the samples' time is that less the receiver's latency, which only its maker can state: 0.1 s is
usual. NMEA has no vertical speed, so `down_mps` is None.

Where several epochs are taken in one go, because the loop came late, the last is the one that has just
arrived, and those before it are as much older as their UTC says.

A VTG carries no time. Between the last time that was said and the next one, the longest pause is where one
epoch ends and the next begins; a VTG that comes after a pause waits until it is known on which side it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from drivers.errors import BadChecksumError, SilentError
from drivers.nmea import Fix, SentenceSplitter, read
from drivers.port import Port
from drivers.samples import GnssPos, GnssVel
from drivers.sensor import Driver, DriverCoroutine, SensorIdentity

BAUDS = (9600, 38400, 115200, 57600, 4800, 19200, 230400)
"""In the order they are tried: what receivers come set to, the likely ones first."""

LISTEN_HZ = 50.0
TRY_S = 2.5  # at 4800 baud and one epoch a second two sentences may take that long
SENTENCES_TO_BELIEVE = 2
SILENT_AFTER_S = 5.0
VTG_AFTER_S = 2.0
"""VTG gives the velocity only where no RMC has come for this long."""

PAUSE_S = 1.5 / LISTEN_HZ
"""Sentences further apart do not follow at once; closer ones may have been taken in one go or two."""

UTC_AGREES_S = 1.0


@dataclass(slots=True)
class GnssStatus:
    """What the receiver says of itself, for `vario check`. None: it has not said."""

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
        port: its line.
        baud: its speed; None: try what is usual.
        latency_s: from the instant a fix is true to its first byte.
        rate_hz: fixes a second it is set to, for its identity only.

    Raises:
        ValueError: if no receiver is as late or as fast as that.
    """

    def __init__(
        self, port: Port, baud: int | None = None, latency_s: float = 0.1, rate_hz: float = 1.0
    ) -> None:
        if not (0.0 <= latency_s <= 10.0 and 0.0 < rate_hz <= 100.0):
            raise ValueError(f"GNSS: latency {latency_s} s at {rate_hz} Hz; expected up to 10 s and 100 Hz")
        super().__init__(
            SensorIdentity("GNSS", port.name, ("gnss_pos", "gnss_vel"), rate_hz, delay_s=latency_s), LISTEN_HZ
        )
        self.port = port
        self.baud = baud
        self.latency_s = latency_s
        self.status = GnssStatus()
        self.utc_at_zero: datetime | None = None
        """The UTC instant at which the loop's clock was 0; None until two sentences agree on it."""
        self._ended_s = 0.0
        """When the latest sentence did."""
        self._pause_s = PAUSE_S
        """The longest since the last time that was said; at the least, what counts as one."""
        self._latest: time | None = None
        """Of the epochs taken in one go."""
        self._forget()

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
        """Find the speed at which the line makes sense."""
        self._forget()
        bauds = BAUDS if self.baud is None else (self.baud,)
        heard = 0
        for baud in bauds:
            self.port.set_baud(baud)
            splitter = SentenceSplitter()
            until_s = now_s + TRY_S
            while now_s < until_s:
                now_s = yield now_s + 1.0 / LISTEN_HZ
                data = self.port.read()
                heard += len(data)
                splitter.feed(data)
                if splitter.good >= SENTENCES_TO_BELIEVE:
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
            f"{heard} bytes arrived but no NMEA sentence (tried {tried} baud)",
            "The receiver may be set to a binary protocol or another speed; or RX and ground are loose",
        )

    def measure(self, now_s: float) -> None:
        """Take what has arrived."""
        data = self.port.read()
        garbled = self._splitter.garbled
        if not self._splitter.within_a_line:
            if data:
                self._line_s = now_s
            elif now_s - self._ended_s > self._pause_s:
                self._give_undecided()  # this pause is already the longest
        fixes = [read(sentence) for sentence in self._splitter.feed(data)]
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
                f"{self._splitter.garbled - garbled} sentences with a wrong checksum",
                "A loose wire, or interference",
            )
        if now_s - self._heard_s > SILENT_AFTER_S:
            raise SilentError(f"no sentence for {SILENT_AFTER_S:g} s", "Check its supply and wires")

    def _forget(self) -> None:
        """Whatever was known may be of another receiver, or long past."""
        self._splitter = SentenceSplitter()
        self._heard_s = 0.0
        self._line_s = 0.0
        self._ended_s = 0.0
        self._run_s: float | None = None
        """When the sentences that follow each other at once began; None: one of them had a time."""
        self._pause_s = PAUSE_S
        self._undecided: tuple[float, float] | None = None
        """A velocity from after the longest pause."""
        self._epoch: time | None = None
        self._latest = None
        self._epoch_s = 0.0
        self._rmc_s: float | None = None
        self._utc_seen: datetime | None = None
        self.status.has_fix = self.status.dimensions = None

    def _use(self, fix: Fix) -> None:
        status = self.status
        status.hdop = fix.hdop if fix.hdop is not None else status.hdop
        status.satellites = fix.satellites if fix.satellites is not None else status.satellites
        status.dimensions = fix.dimensions or status.dimensions
        status.has_fix = fix.has_fix if fix.has_fix is not None else status.has_fix
        if fix.kind == "RMC":
            self._undecided = None  # it says it better
        if fix.utc_time is not None:
            self._go_on(fix.utc_time)
        t_s = self._t_s
        if fix.utc is not None:
            self._note_utc(fix.utc - timedelta(seconds=t_s))
        if fix.position is not None and status.dimensions in {None, 3}:  # without three, no height
            self.emit(GnssPos(t_s, *fix.position))
        if fix.kind == "RMC":
            self._rmc_s = t_s
        if fix.velocity_mps is None:
            return
        if fix.kind == "RMC":
            self.emit(GnssVel(t_s, *fix.velocity_mps, None))
        elif self._pause_s > PAUSE_S:
            self._undecided = fix.velocity_mps
        else:
            self._give_vtg(fix.velocity_mps)

    @property
    def _t_s(self) -> float:
        return max(0.0, self._epoch_s - self.latency_s)

    def _note_pause(self) -> None:
        """A sentence has come."""
        pause_s = self._line_s - self._ended_s
        if pause_s > PAUSE_S:
            self._run_s = self._line_s
        if pause_s > self._pause_s:
            self._pause_s = pause_s
            self._give_undecided()

    def _go_on(self, utc_time: time) -> None:
        """A sentence has a time: of the epoch so far, or the next one."""
        if utc_time != self._epoch:
            begun_s = self._line_s if self._run_s is None else self._run_s
            waited_s = _apart_s(utc_time, self._latest or utc_time) if begun_s == self._heard_s else 0.0
            self._epoch, self._epoch_s = utc_time, begun_s - waited_s
        self._run_s, self._pause_s = None, PAUSE_S
        self._give_undecided()

    def _give_undecided(self) -> None:
        velocity_mps, self._undecided = self._undecided, None
        if velocity_mps is not None:
            self._give_vtg(velocity_mps)

    def _give_vtg(self, velocity_mps: tuple[float, float]) -> None:
        if not self._superfluous(self._t_s):
            self.emit(GnssVel(self._t_s, *velocity_mps, None))

    def _superfluous(self, t_s: float) -> bool:
        """Whether a VTG should be passed over: RMC says it, or there is no epoch and fix it belongs to."""
        if self._epoch is None or not self.status.has_fix:
            return True
        return self._rmc_s is not None and t_s - self._rmc_s < VTG_AFTER_S

    def _note_utc(self, at_zero: datetime) -> None:
        """Believe the time of day when two in a row agree; it may jump once leap seconds are known."""
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
    """Seconds between two times of a day or of two; none where that is longer than a loop is ever late."""
    day = datetime.min + timedelta(days=1)
    apart = (datetime.combine(day, later) - datetime.combine(day, earlier)) % timedelta(days=1)
    return apart.total_seconds() if apart.total_seconds() <= SILENT_AFTER_S else 0.0
