"""Collect samples into frames: the flight logic steps on short frames of time, not on single samples.

A sample more than 2.5 s from the others has a corrupt timestamp; it is ignored until a second sensor agrees.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.quick import dataclass
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
"""Frame length: one barometer period, two IMU periods; short against the 0.1 s that a pilot notices."""

EMPTY_FRAME_S = 0.1
"""Spacing of the empty frames made while no sample arrives, so that outputs age in time."""

JUMP_S = 10.0
"""A longer time without samples is a gap in the recording or a jump of the clock: the stages are reset."""

APART_S = 2.5
"""A sample further from the others than this has a corrupt time, or its sensor has a clock of its own. It is
ignored until a second sensor agrees."""

SPARSE_JUMP_S = 12.5
"""The same in a sparse recording, where single samples may also be missing: at most this long."""

STEPS_TO_JUMP = 3.0
"""In a sparse recording this many usual steps without a sample are a gap."""

_APART_SLOTS = round(APART_S / FRAME_S)

ALONE_S = 1.0
"""If only one sensor delivers, its times are accepted after it has delivered for this long."""

SET_BACK_AFTER = 200
"""This many samples in a row (half a second of all sensors) far in the past mean that the clock was set
back.
"""

MOST_HELD = 1000
"""Most samples of one kind in a frame, in case the time stands still; far more than any sensor delivers."""

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

_ONE_SENSOR = {ImuGyro: ImuAccel, GnssVel: GnssPos}
"""Kinds of sample from one sensor with one clock: the first counts as the second."""


def jump_of(longest_step_s: float) -> float:
    """The time without samples that is a gap, for the longest usual step of a recording (0 if dense)."""
    return min(max(JUMP_S, STEPS_TO_JUMP * longest_step_s), SPARSE_JUMP_S)


@dataclass(frozen=True, slots=True)
class Frame:
    """All samples that arrived in a short time, in order of arrival.

    `t_s` is the end of this time and `dt_s` the time since the frame before (0 for the first frame and after
    a break). The time of a sample is at or before `t_s`; a late sample is in a later frame than its own.
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

    The frames depend only on the samples and their order, so a live flight and its replay have the same
    frames. A `Tick` only advances the time. `Reference` samples are not inputs and are skipped.

    The time is the one on which the sensors agree: a sensor with a wrong clock loses its own samples only.

    Args:
        longest_step_s: longest usual time between samples of a sparse recording; 0: dense, or live.
    """

    def __init__(self, longest_step_s: float = 0.0) -> None:
        self._jump_s = jump_of(longest_step_s)
        self._jump_slots = round(self._jump_s / FRAME_S)
        self._slot: int | None = None
        self._last_t_s: float | None = None
        self._held: dict[str, list[Sample]] = {}
        self._ahead: list[Sample] = []
        self._behind = 0

    def push(self, sample: Sample) -> Sequence[Frame]:
        """Take one sample; return the frames it completes (mostly none or one)."""
        name = _LISTS.get(type(sample))
        if name is None and type(sample) is not Tick:
            return ()
        slot = _slot_of(sample)
        if slot == self._slot:  # the usual sample, of the frame being filled
            if self._ahead:
                self._ahead = []
            self._behind = 0
            held = self._held.get(name) if name is not None else None
            if held is not None and len(held) < MOST_HELD:
                held.append(sample)
            else:
                self._hold(sample, name)
            return ()
        if self._slot is None:
            self._slot = slot
        if slot - self._slot > _APART_SLOTS:
            return self._push_ahead(sample)
        if self._ahead:
            self._ahead = []
        if self._slot - slot > _APART_SLOTS:
            return self._push_behind(sample, slot)
        self._behind = 0
        return self._push_near(sample, slot)

    def _push_near(self, sample: Sample, slot: int) -> list[Frame]:
        assert self._slot is not None  # noqa: S101  (set by push)
        frames: list[Frame] = []
        if slot > self._slot:
            frames.append(self._close())
            self._fill(frames, slot)
            self._slot = slot
        self._hold(sample, _LISTS.get(type(sample)))
        return frames

    def _hold(self, sample: Sample, name: str | None) -> None:
        """Keep a sample for the present frame; a tick has no name and is not kept."""
        if name is None:
            return
        held = self._held.get(name)
        if held is None:
            self._held[name] = [sample]
        elif len(held) < MOST_HELD:
            held.append(sample)

    def _push_ahead(self, sample: Sample) -> list[Frame]:
        """Hold a sample far in the future until a second sensor, or the same one for a while, agrees."""
        ahead = self._ahead
        if ahead and not -_APART_SLOTS <= _slot_of(sample) - _slot_of(ahead[-1]) <= self._jump_slots:
            ahead.clear()  # the two do not agree: keep the later one
        if len(ahead) < MOST_HELD:
            ahead.append(sample)
        sensors = {_ONE_SENSOR.get(type(held), type(held)) for held in ahead}
        if len(sensors) < 2 and sample.t_s - ahead[0].t_s < ALONE_S:
            return []
        self._ahead = []
        return [frame for held in ahead for frame in self._push_near(held, _slot_of(held))]

    def _push_behind(self, sample: Sample, slot: int) -> list[Frame]:
        """Drop a sample far in the past, until enough of them in a row mean that the clock was set back."""
        assert self._slot is not None  # noqa: S101  (set by push)
        self._behind += 1
        if self._behind < SET_BACK_AFTER:
            if self._slot - slot <= self._jump_slots:
                self._hold(sample, _LISTS.get(type(sample)))  # the health check counts it as late
            return []
        frames = [self._close()] if self._held else []
        self._slot, self._last_t_s, self._behind = slot, None, 0
        return frames + self._push_near(sample, slot)

    def flush(self) -> list[Frame]:
        """The last, unfinished frames, at the end of a recording."""
        ahead, self._ahead = self._ahead, []
        frames = [frame for held in ahead for frame in self._push_near(held, _slot_of(held))]
        return [*frames, self._close()] if self._held else frames

    def _close(self) -> Frame:
        assert self._slot is not None  # noqa: S101  (a frame is closed only after its first sample)
        held = {name: tuple(samples) for name, samples in self._held.items()}
        self._held = {}
        return self._frame((self._slot + 1) * FRAME_S, held)

    def _frame(self, t_s: float, held: dict[str, tuple[Sample, ...]]) -> Frame:
        dt_s = 0.0 if self._last_t_s is None else t_s - self._last_t_s
        self._last_t_s = t_s
        return Frame(t_s, dt_s if dt_s <= self._jump_s else 0.0, **held)  # type: ignore[arg-type]  # by name

    def _fill(self, frames: list[Frame], slot: int) -> None:
        """Add empty frames up to `slot`, unless the time without samples is a gap."""
        assert self._slot is not None  # noqa: S101  (as in _close)
        step = round(EMPTY_FRAME_S / FRAME_S)
        if (slot - self._slot) * FRAME_S > self._jump_s:
            return
        for empty in range(self._slot + step, slot, step):
            frames.append(self._frame((empty + 1) * FRAME_S, {}))


def _slot_of(sample: Sample) -> int:
    """Number of the frame of a sample; the margin keeps times on the grid in their own frame."""
    return int(sample.t_s / FRAME_S + 1e-6)
