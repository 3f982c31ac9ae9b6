"""The input of a calibration: a recording or a part of it, or live readings of the sensors."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from drivers.samples import Sample
from hw_replay.open import open_source
from hw_replay.source import RecordingInfo
from vario.app.config.in_force import settings_in_force
from vario.app.errors import AppError
from vario.app.excerpt import reach, time_s
from vario.app.live.clock import Clock, MonotonicClock
from vario.app.live.fitting import Buses, Fitted, build_sensors, described
from vario.app.live.practice import PRACTICE, practice
from vario.app.live.scheduler import Scheduler
from vario.app.options import HERE, require_reading_time
from vario.app.terminal import terminal
from vario.settings.load import LoadedSettings, load_settings

LIVE = Path("live")


def part_of(samples: list[Sample], between: Sequence[str] | None, start_utc: datetime | None) -> list[Sample]:
    """The samples in the selected part of the recording.

    Raises:
        AppError: if a time is invalid, or there are no samples.
    """
    if between is None:
        return samples
    from_s, to_s = (time_s("--between", text, start_utc) for text in between)
    part = [sample for sample in samples if from_s <= sample.t_s < to_s]
    if not part:
        times = [sample.t_s for sample in samples]
        covers = reach(min(times), max(times), start_utc) if times else "the recording is empty"
        raise AppError(f"--between {' '.join(between)}: no samples in this part; {covers}")
    return part


def read_input(arguments: Namespace) -> tuple[list[Sample], RecordingInfo, LoadedSettings]:
    """The samples, the origin of the recording, and the settings that apply to it."""
    if arguments.file != LIVE:
        if arguments.fake is not None:
            raise AppError("--fake needs the word live instead of a recording")
        source = open_source(arguments.file)
        return list(source), source.info, settings_in_force(source.info, arguments.file, arguments.config)
    live_s, config = arguments.live_s, arguments.config or HERE
    require_reading_time("--for", live_s)
    if arguments.fake is not None:
        if arguments.apply is not None:
            raise AppError("--apply: readings of fake chips are not written into settings; leave out --fake")
        practised = practice(arguments.fake, config)
        terminal().print(PRACTICE)
        what = build_sensors(practised.loaded.settings, practised.buses, practised.port)
        return measured(what, practised.clock, live_s), _origin(what, PRACTICE), practised.loaded
    loaded, buses = load_settings(config), Buses()
    try:
        what = build_sensors(loaded.settings, buses)
        return measured(what, MonotonicClock(), live_s), _origin(what, "measured live"), loaded
    finally:
        buses.close()


def measured(what: Fitted, clock: Clock, live_s: float) -> list[Sample]:
    """Read the sensors for `live_s` from now on."""
    scheduler = Scheduler(what.sensors, clock)
    end_s = clock.now_s() + live_s
    scheduler.start()
    samples: list[Sample] = []
    while clock.now_s() < end_s:
        samples += scheduler.step(end_s)
    return samples


def _origin(what: Fitted, title: str) -> RecordingInfo:
    return RecordingInfo(title, "live", datetime.now(UTC), described(what.sensors))
