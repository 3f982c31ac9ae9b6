"""What is not a sensor: the card and the sound."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from vario.app.check.findings import Finding, failed, look, passed
from vario.flight.tone import ToneCommand
from vario.sound.errors import SoundError
from vario.sound.live import LiveSink

MB_AN_HOUR = 25.0
"""What a recording takes, measured with 100 Hz inertial sensor and 50 Hz pressures."""

FEW_HOURS = 20.0
SLOW_SYNC_S = 1.0
TONE_S = 0.7
_TONE = ToneCommand(700.0, 4.0, 0.5)


def check_card(folder: str | None) -> Finding:
    """Whether a recording could be written."""
    if folder is None:
        step = "Write folder = … under [recorder] if flights are to be recorded"
        return look("recorder", "no folder is set: nothing is recorded", step)
    path = Path(folder)
    subject = f"recorder, {folder}"
    try:
        path.mkdir(parents=True, exist_ok=True)
        begun_s = time.monotonic()
        with tempfile.TemporaryFile(dir=path) as file:
            file.write(bytes(1 << 16))
            file.flush()
            os.fsync(file.fileno())
        took_s = time.monotonic() - begun_s
        free_mb = shutil.disk_usage(path).free / 1e6
    except OSError as error:
        step = "Give the user of the service the right to write there, or mount the card writable"
        return failed(subject, f"cannot be written to: {error.strerror or error}", step)
    hours = free_mb / MB_AN_HOUR
    found = f"{free_mb / 1000:.1f} GB free, about {hours:.0f} h of flight; 64 kB forced out in {took_s:.2f} s"
    if hours < FEW_HOURS:
        return look(subject, found, "Copy old recordings away and delete them")
    if took_s > SLOW_SYNC_S:
        return look(subject, found, "A slow or worn card: a power failure may cost more than a second")
    return passed(subject, found)


def check_sound(device: str | None, sleep: Callable[[float], None] = time.sleep) -> Finding:
    """Play a short tone; a person must say whether it was heard."""
    try:
        with LiveSink(device=device) as sink:
            sink.play(_TONE)
            sleep(TONE_S / 2)
            sink.play(_TONE)
            sleep(TONE_S / 2)
            underruns = sink.underruns
    except SoundError as error:
        return failed(
            "sound", str(error), "Plug the device in, install the extra live, or set [audio] device"
        )
    if underruns:
        return look("sound", f"played with {underruns} gaps", "Run again with nothing else running")
    return look("sound", "a short tone was played", "Was it heard? If not: volume, plug, [audio] device")
