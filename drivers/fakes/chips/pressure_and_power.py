"""Fake differential pressure sensors, thermometer and supply monitor."""

from __future__ import annotations

import errno

from drivers.chips import ina219, ms4525do, sdp3x
from drivers.fakes.bus import FakeChip, RegisterChip
from drivers.isa import CELSIUS_ZERO_K


class FakeMs4525do(FakeChip):
    """MS4525DO, ±1 psi, type A.

    Attributes:
        status: what it reports instead of its own status bits, if set.
    """

    STANDS_FOR = ("MS4525DO",)
    UPDATE_S = 0.0005

    def power_on(self) -> None:
        """No reading has been fetched yet."""
        self.status: int | None = None
        self._fetched_s = -1.0
        self._frame = bytes(4)

    def write(self, data: bytes) -> None:
        """A write only wakes it."""

    def read(self, length: int) -> bytes:
        """The latest conversion; stale if it was fetched before."""
        now_s = self.clock()
        stale = now_s - self._fetched_s < self.UPDATE_S + self.late_s
        self._fetched_s = now_s if not stale else self._fetched_s
        if not self.frozen and not stale:
            psi = self.noisy(self.world.impact_pa, "pitot", 1.0) / ms4525do.PSI_PA
            counts = max(0, min(16383, round(0.1 * 16383 + (psi + 1.0) * 0.4 * 16383)))
            warm = max(0, min(2047, round((self.world.air_k - CELSIUS_ZERO_K + 50.0) * 2047 / 200)))
            self._frame = (counts << 16 | warm << 5).to_bytes(4, "big")
        status = (2 if stale else 0) if self.status is None else self.status
        return bytes([self._frame[0] & 0x3F | status << 6, *self._frame[1:]])[:length]


class FakeSdp3x(FakeChip):
    """SDP31 or SDP33. It measures a mass flow, so it reads low in thin air.

    It saturates slightly beyond its range.

    Attributes:
        scale: counts a pascal, as stated in its frames.
    """

    STANDS_FOR = ("SDP31", "SDP33")
    CLIPS_AT = 1.04

    def power_on(self) -> None:
        """Idle."""
        self.scale = sdp3x.SCALES[self.spec.name]
        self._running = False
        self._frame = bytes(9)

    def write(self, data: bytes) -> None:
        """Start or stop."""
        self._running = data == sdp3x.START_AVERAGING

    def read(self, length: int) -> bytes:
        """Pressure, temperature and scale, each word with its checksum; no acknowledge while idle."""
        if not self._running:
            raise OSError(errno.EREMOTEIO, "no acknowledge")
        if not self.frozen:
            flow_pa = (
                self.noisy(self.world.impact_pa, "pitot", 0.1) * self.world.static_pa / sdp3x.CALIBRATED_PA
            )
            limit = sdp3x.RANGES_PA[self.spec.name] * self.CLIPS_AT
            warm = round((self.world.air_k - CELSIUS_ZERO_K) * 200)
            values = round(max(-limit, min(limit, flow_pa)) * self.scale), warm, self.scale
            pairs = [value.to_bytes(2, "big", signed=True) for value in values]
            self._frame = b"".join(pair + bytes([sdp3x.crc8(pair)]) for pair in pairs)
        return self._frame[:length]


class FakeWords(RegisterChip):
    """A chip whose registers are 16 bits each, high byte first."""

    def power_on(self) -> None:
        """All words 0."""
        self.words: dict[int, int] = {}
        super().power_on()

    def write(self, data: bytes) -> None:
        """The register, then its two bytes."""
        self._pointer = data[0]
        if len(data) == 3:
            value = int.from_bytes(data[1:], "big")
            self.words[data[0]] = value
            self.written(data[0], value)

    def read(self, length: int) -> bytes:
        """The word last selected."""
        if self._ready_s is not None and self.clock() >= self._ready_s:
            self._ready_s = None
            self.converted()
        return self.words.get(self._pointer, 0).to_bytes(2, "big")[:length]


class FakeTmp117(FakeWords):
    """TMP117."""

    STANDS_FOR = ("TMP117",)

    def reset(self) -> None:
        """Identity in place."""
        self.words = {0x0F: self.identity}

    def written(self, register: int, value: int) -> None:
        """A single conversion begins."""
        if register == 0x01 and value & 2:
            self.power_on()
        elif register == 0x01 and value >> 10 & 3 == 3:
            self.convert_for(0.124)

    def converted(self) -> None:
        """128 counts a degree."""
        celsius = self.noisy(self.world.air_k, "oat") - CELSIUS_ZERO_K
        self.words[0x01] |= 1 << 13
        if not self.frozen:
            self.words[0x00] = round(celsius * 128) & 0xFFFF


class FakeIna219(FakeWords):
    """INA219; `identity` is the value of its configuration register after a reset."""

    STANDS_FOR = ("INA219",)
    IDENTITY = ina219.AFTER_RESET

    def reset(self) -> None:
        """Configuration as after a reset."""
        self.words = {0x00: self.identity}

    def written(self, register: int, value: int) -> None:
        """A single conversion begins."""
        if register == 0x00 and value & 0x8000:
            self.power_on()
        elif register == 0x00 and value & 7 == 2:
            self.words[0x02] = 0
            self.convert_for(0.0681)

    def converted(self) -> None:
        """4 mV a count, above three bits of flags."""
        counts = round(self.noisy(self.world.volt_v, "supply") / 0.004)
        self.words[0x02] = (max(0, min(8191, counts)) << 3 | 2) & 0xFFFF
