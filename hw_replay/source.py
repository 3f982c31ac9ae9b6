"""The interface of every reader: metadata of the recording, and its samples in order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import field
from datetime import datetime
from typing import Protocol

from drivers.quick import dataclass
from drivers.samples import Sample

GNSS_AS_BARO = "GNSS altitude in place of a barometer"
"""Name of the barometer of a recording that has none."""


@dataclass(frozen=True, slots=True)
class SensorInfo:
    """Identity and quality of the sensor of a channel, as stated by the recording.

    `noise` is the standard deviation of the white noise of one sample, in the unit of the channel.
    `latency_s` is the delay of the sample's time after the event. None: the recording does not state it.
    """

    name: str | None = None
    rate_hz: float | None = None
    noise: float | None = None
    latency_s: float | None = None


GNSS_BARO = SensorInfo(GNSS_AS_BARO, noise=3.5)
"""3.5 Pa: heights in whole metres (1/sqrt(12) m, near sea level 12 Pa/m). The filter learns larger jitter."""


@dataclass(frozen=True, slots=True)
class RecordingInfo:
    """The metadata of a recording.

    Attributes:
        title: short name for reports.
        origin: how it was made ("live", "imported from long CSV", "imported from FAI/IGC", "simulated").
        start_utc: UTC at `t_s` = 0, if known.
        sensors: sensors by channel name.
        config_toml: the configuration in force when it was recorded, as TOML text.
        glider_toml: the glider file in force, as TOML text.
        glider_type: the type of glider that a file of another recorder states.
        longest_step_s: the longest usual time between its samples, where it is so long that the instrument
            must know it (a flight recorder with a fix every few seconds); None: dense.
        doubts: metadata that cannot be true and was rejected, one sentence each.
    """

    title: str
    origin: str
    start_utc: datetime | None = None
    sensors: Mapping[str, SensorInfo] = field(default_factory=dict)
    config_toml: str | None = None
    glider_toml: str | None = None
    longest_step_s: float | None = None
    glider_type: str | None = None
    doubts: tuple[str, ...] = ()


class Source(Protocol):
    """An open recording of any format.

    Iteration yields samples in the order in which the instrument would have received them. It can be
    repeated, and its memory use does not depend on the length of the recording. After (or during) iteration
    `warnings()` gives the rejected data and the reasons, one sentence each.
    """

    @property
    def info(self) -> RecordingInfo:
        """The metadata of the recording."""

    @property
    def duration_s(self) -> float | None:
        """Length, s, for a progress bar; None if it is not known without reading the recording."""

    def __iter__(self) -> Iterator[Sample]: ...

    def rejected(self) -> int:
        """Number of rows or messages rejected so far."""

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
