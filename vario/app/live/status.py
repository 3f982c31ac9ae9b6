"""The status of a live run, and its line for the display."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.quick import dataclass
from vario.app.live.faults import SensorState, SensorStatus
from vario.app.live.recorder import RecorderStatus
from vario.flight.reading import Reading
from vario.settings.display import METRIC, DisplayUnits, Measure

MANY_WAITING = 2000
"""Number of samples, about six seconds of all sensors."""


@dataclass(frozen=True, slots=True)
class Status:
    """The status of a live run.

    Attributes:
        t_s: time of the status.
        reading: the latest reading.
        sensors: status of each sensor.
        recorder: None: no folder is set.
        sound: why there is no sound; None if there is sound or none is intended.
        sound_gaps: blocks of sound that were too late for the device.
        sentences: why no sentences are sent; None if they are sent or none are intended.
        page: why there is no live page; None if there is one or none is intended.
        left_behind: at the end, what did not close in time.
        units: the units of the status line.
        controls: why a knob or button does not work; None if all work.
    """

    t_s: float
    reading: Reading | None
    sensors: Sequence[SensorStatus]
    recorder: RecorderStatus | None
    sound: str | None
    sound_gaps: int = 0
    sentences: str | None = None
    page: str | None = None
    left_behind: tuple[str, ...] = ()
    units: DisplayUnits = METRIC
    controls: str | None = None


def status_line(status: Status) -> str:
    """The status in one line, for the terminal, the journal and the service manager."""
    parts = []
    reading = status.reading
    if reading is not None:
        vario = status.units.shown(Measure.VERTICAL_SPEED, reading.needle_mps, sign=True)
        parts += [reading.mode.value, f"vario {vario}", str(reading.quality)]
        if reading.battery.low:
            parts.append("BATTERY LOW")
    away = [sensor.name for sensor in status.sensors if sensor.state is not SensorState.MEASURING]
    if away:
        parts.append(f"not measuring: {', '.join(away)}")
    overruns = sum(sensor.overruns for sensor in status.sensors)
    if overruns:
        parts.append(f"{overruns} overruns")
    if status.recorder is None:
        parts.append("not recording (no folder set)")
    else:
        file = status.recorder.file
        parts.append(f"recording {file.name}" if file and not status.recorder.problem else "NOT RECORDING")
        if status.recorder.memory is not None:
            parts.append("IN MEMORY ONLY, lost at power-off")
        if status.recorder.waiting > MANY_WAITING:
            parts.append("the card is slow")
        if status.recorder.lost:
            parts.append(f"{status.recorder.lost} samples not recorded")
    outlets = (
        (status.sound, "NO SOUND"),
        (status.sentences, "NO SENTENCES"),
        (status.page, "NO PAGE"),
        (status.controls, f"not working: {status.controls}"),
    )
    parts += [text for problem, text in outlets if problem is not None]
    if status.sound_gaps:
        parts.append(f"{status.sound_gaps} gaps in the sound")
    return " | ".join(parts)
