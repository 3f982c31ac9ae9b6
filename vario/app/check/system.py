"""Checks of the card and the sound."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from hw_replay.disk import SYSTEM_DISK, Disk
from vario.app.check.findings import Finding, failed, passed, warned
from vario.flight.tone.cues import Cue, CueCall
from vario.flight.tone.stage import ToneCommand
from vario.settings.hardware import Audio
from vario.sound.devices import open_device
from vario.sound.errors import SoundError
from vario.sound.live import output_devices

MB_AN_HOUR = 38.0
"""Size of a recording with its index, measured with an inertial sensor at 100 Hz and pressures at 50 Hz."""

FEW_HOURS = 20.0
SLOW_SYNC_S = 1.0
TONE_S = 0.7
_TONE = ToneCommand(700.0, 4.0, 0.5, cue=CueCall(Cue.CIRCLING_BEGUN, 1, is_warning=False))


def check_card(folder: str | None, disk: Disk = SYSTEM_DISK) -> Finding:
    """Check that a recording can be written; None: no folder is set."""
    if folder is None:
        step = "Set folder = … under [recorder] to record flights"
        return warned("recorder", "no folder is set: flights are not recorded", step)
    path = Path(folder)
    subject = f"recorder, {folder}"
    try:
        disk.make_folder(path)
        begun_s = time.monotonic()
        with tempfile.TemporaryFile(dir=path) as file:
            file.write(bytes(1 << 16))
            file.flush()
            os.fsync(file.fileno())
        took_s = time.monotonic() - begun_s
        free_mb = shutil.disk_usage(path).free / 1e6
    except OSError as error:
        step = "Give the user of the service write permission there, or mount the card writable"
        return failed(subject, f"cannot be written to: {error.strerror or error}", step)
    held = disk.file_system(path)
    if held.in_memory is not None:
        step = "Set a folder on the card: flights in memory are lost when the power is switched off"
        return failed(subject, f"is in memory ({held.in_memory}); expected a folder on a card", step)
    hours = free_mb / MB_AN_HOUR
    found = (
        f"{held.kind or 'unknown file system'}, {free_mb / 1000:.1f} GB free, about {hours:.0f} h of "
        f"flight; 64 kB flushed in {took_s:.2f} s"
    )
    if hours < FEW_HOURS:
        return warned(subject, found, "Copy old recordings to another disk and delete them here")
    if took_s > SLOW_SYNC_S:
        step = "The card is slow or worn: a power failure may lose more than 1 s of data"
        return warned(subject, found, step)
    return passed(subject, found)


def check_sound(audio: Audio, sleep: Callable[[float], None] = time.sleep) -> Finding:
    """Play a short tone and a cue, as far as the settings enable them; the user confirms what was heard."""
    if audio.output == "off":
        step = 'Set output = "tone" under [audio] to hear the instrument'
        return warned("sound", "the settings disable all sound, including warnings", step)
    try:
        with closing(open_device(audio)) as sink:
            for _ in range(2):
                sink.play(_TONE, TONE_S / 2)
                sleep(TONE_S / 2)
            underruns = sink.underruns
    except SoundError as error:
        step = "Connect the device, install the extra in the message, or check [audio] in the settings"
        return failed("sound", str(error), step)
    if underruns:
        return warned("sound", f"played with {underruns} gaps", "Stop other programs and run the check again")
    played = "a short tone and a cue were played" if audio.output == "tone" else "a cue was played"
    if audio.output == "tone":
        played += f" on {audio.device or 'the default device'}; there are: {', '.join(output_devices())}"
    return warned("sound", played, "Did you hear it? If not, check volume, plug and [audio] device")
