"""Samples in, frames out: the flight logic steps on short frames of time, not on single samples."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.samples import (
    Baro,
    GnssPos,
    GnssVel,
    ImuAccel,
    ImuGyro,
    LoadFactor,
    Oat,
    Pitot,
    Sample,
    Supply,
    Tick,
)

FRAME_S = 0.02
"""Frame length: one barometer period, two IMU periods; short against a pilot's 0.1 s."""

EMPTY_FRAME_S = 0.1
"""Spacing of the frames made while nothing arrives, so that outputs age and fall silent in time."""

JUMP_S = 10.0
"""A silence longer than this is a jump of the clock or a break in the recording: stages start afresh."""

_LISTS: dict[type[Sample], str] = {
    Baro: "baro",
    Pitot: "pitot",
    ImuAccel: "accel",
    ImuGyro: "gyro",
    GnssPos: "gnss_pos",
    GnssVel: "gnss_vel",
    Oat: "oat",
    LoadFactor: "load_factor",
    Supply: "supply",
}


@dataclass(frozen=True, slots=True)
class Frame:
    """All samples that arrived in one stretch of time, in order of arrival.

    `t_s` is the end of the stretch and `dt_s` the time since the frame before (0 for the first, and
    after a jump). A sample's own time is at or before `t_s`, in a later frame than its own if it came
    late.
    """

    t_s: float
    dt_s: float
    baro: tuple[Baro, ...] = ()
    pitot: tuple[Pitot, ...] = ()
    accel: tuple[ImuAccel, ...] = ()
    gyro: tuple[ImuGyro, ...] = ()
    gnss_pos: tuple[GnssPos, ...] = ()
    gnss_vel: tuple[GnssVel, ...] = ()
    oat: tuple[Oat, ...] = ()
    load_factor: tuple[LoadFactor, ...] = ()
    supply: tuple[Supply, ...] = ()


class Framer:
    """Collects samples into frames on a fixed grid of `FRAME_S`.

    What comes out depends only on the samples and their order, so a live flight and its replay are
    framed alike. A `Tick` only lets time pass. `Reference` samples are not inputs and are passed over.
    """

    def __init__(self) -> None:
        self._slot: int | None = None
        self._last_t_s: float | None = None
        self._held: dict[str, list[Sample]] = {}

    def push(self, sample: Sample) -> list[Frame]:
        """Take one sample; return the frames it completes (mostly none or one)."""
        name = _LISTS.get(type(sample))
        if name is None and type(sample) is not Tick:
            return []
        slot = int(sample.t_s / FRAME_S)
        if self._slot is None:
            self._slot = slot
        frames: list[Frame] = []
        if slot > self._slot:
            frames.append(self._close())
            self._fill(frames, slot)
            self._slot = slot
        if name is not None:
            self._held.setdefault(name, []).append(sample)
        return frames

    def flush(self) -> list[Frame]:
        """The last, unfinished frame, at the end of a recording."""
        return [self._close()] if self._held else []

    def _close(self) -> Frame:
        assert self._slot is not None  # noqa: S101  (a frame is closed only after its first sample)
        held = {name: tuple(samples) for name, samples in self._held.items()}
        self._held = {}
        return self._frame((self._slot + 1) * FRAME_S, held)

    def _frame(self, t_s: float, held: dict[str, tuple[Sample, ...]]) -> Frame:
        dt_s = 0.0 if self._last_t_s is None else t_s - self._last_t_s
        self._last_t_s = t_s
        return Frame(t_s, dt_s if dt_s <= JUMP_S else 0.0, **held)  # type: ignore[arg-type]  # by name

    def _fill(self, frames: list[Frame], slot: int) -> None:
        """Empty frames up to `slot`, unless the silence is a jump."""
        assert self._slot is not None  # noqa: S101  (as in _close)
        step = round(EMPTY_FRAME_S / FRAME_S)
        if (slot - self._slot) * FRAME_S > JUMP_S:
            return
        for empty in range(self._slot + step, slot, step):
            frames.append(self._frame((empty + 1) * FRAME_S, {}))
