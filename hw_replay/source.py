"""What every reader offers: a description of the recording and its samples in order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from drivers.samples import Sample

GNSS_AS_BARO = "GNSS altitude in place of a barometer"
"""Name of the barometer of a recording that has none."""


@dataclass(frozen=True, slots=True)
class SensorInfo:
    """Identity and quality of the sensor behind a channel, as the recording states it.

    `noise` is the white noise of one sample, one standard deviation, in the channel's unit;
    `latency_s` how long after the event the sample's time lies. None: the recording does not say.
    """

    name: str | None = None
    rate_hz: float | None = None
    noise: float | None = None
    latency_s: float | None = None


@dataclass(frozen=True, slots=True)
class RecordingInfo:
    """What a recording says about itself.

    Attributes:
        title: short name for reports.
        origin: how it came to be ("live", "imported from long CSV", "imported from FAI/IGC",
            "simulated").
        start_utc: the UTC instant at `t_s` = 0, where known.
        sensors: by channel name.
        config_toml: the configuration in force when it was recorded, as TOML text.
        glider_toml: the glider file in force, as TOML text.
        calibration: free key-value pairs with units in their names, e.g. "pitot_zero_pa".
        longest_step_s: the longest usual time between its samples, where it is so long that the instrument
            must know it (a flight recorder with a fix every few seconds); None: dense.
        doubts: what the recording says of itself and cannot be true, one sentence each; it was left out.
    """

    title: str
    origin: str
    start_utc: datetime | None = None
    sensors: Mapping[str, SensorInfo] = field(default_factory=dict)
    config_toml: str | None = None
    glider_toml: str | None = None
    calibration: Mapping[str, str] = field(default_factory=dict)
    longest_step_s: float | None = None
    doubts: tuple[str, ...] = ()


class Source(Protocol):
    """An opened recording, whatever its format.

    Iterating yields samples in the order the instrument would have received them; it may be done
    more than once and uses memory that does not grow with the recording. After (or during)
    iteration `warnings()` says what was left out and why, one sentence each.
    """

    @property
    def info(self) -> RecordingInfo:
        """What the recording says about itself."""

    @property
    def duration_s(self) -> float | None:
        """Length if it is cheap to know (for a progress bar)."""

    def __iter__(self) -> Iterator[Sample]: ...

    def rejected(self) -> int:
        """How many rows or messages were left out so far."""

    def warnings(self) -> list[str]:
        """What was left out or looked wrong so far, one sentence each."""
