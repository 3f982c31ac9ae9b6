"""Checks of the card and the sound."""

from __future__ import annotations

import errno
import os
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from hw_replay.disk import SYSTEM_DISK, Disk
from vario.app.check.findings import Finding, failed, passed, warned
from vario.app.live.recorder import LEAST_FREE_BYTES
from vario.flight.tone.cues import Cue, CueCall
from vario.flight.tone.stage import ToneCommand
from vario.settings.hardware import Audio
from vario.sound.devices import open_device
from vario.sound.errors import SoundError
from vario.sound.live import output_devices

SECOND_BYTES, SAMPLE_BYTES = 380.0, 32.0
"""Size of a recording with its index: bytes per second, and per sample in it. Measured by recording the demo
at 40, 79 and 158 samples per second; the size was within 2 % of this."""

FULL_HZ = 310.0
"""Samples per second of an inertial sensor at 100 Hz, two pressures at 50 Hz and GNSS at 5 Hz."""

FEW_HOURS = 20.0
SLOW_SYNC_S = 1.0
MAKE_ROOM = "Copy old recordings to another disk and delete them here"
SLOW_CARD = "The card is slow or worn: a power failure may lose more than 1 s of data"
TONE_S = 0.7
_TONE = ToneCommand(700.0, 4.0, 0.5, cue=CueCall(Cue.CIRCLING_BEGUN, 1, is_warning=False))


def check_card(folder: str | None, disk: Disk = SYSTEM_DISK, samples_hz: float | None = None) -> Finding:
    """Check that a recording can be written, and for how long.

    Args:
        folder: the folder of the recorder; None: none is set.
        disk: what holds it.
        samples_hz: samples of all sensors per second; None: not known, those of a full instrument.
    """
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
        free_bytes = disk.free_bytes(path)
    except OSError as error:
        allow = "Give the user of the service write permission there, or mount the card writable"
        step = MAKE_ROOM if error.errno == errno.ENOSPC else allow
        return failed(subject, f"cannot be written to: {error.strerror or error}", step)
    held = disk.file_system(path)
    if held.in_memory is not None:
        step = "Set a folder on the card: flights in memory are lost when the power is switched off"
        return failed(subject, f"is in memory ({held.in_memory}); expected a folder on a card", step)
    found = f"{held.kind or 'unknown file system'}, {free_bytes / 1e9:.1f} GB free"
    if free_bytes < LEAST_FREE_BYTES:
        return failed(subject, f"{found}: no recording begins", MAKE_ROOM)
    second_bytes = SECOND_BYTES + SAMPLE_BYTES * (samples_hz or FULL_HZ)
    hours = (free_bytes - LEAST_FREE_BYTES) / (3600.0 * second_bytes)
    sensors = "these sensors" if samples_hz else "all sensors"
    found += f", enough for {hours:.0f} h of flight with {sensors}; 64 kB flushed in {took_s:.2f} s"
    if hours < FEW_HOURS:
        return warned(subject, found, MAKE_ROOM)
    return warned(subject, found, SLOW_CARD) if took_s > SLOW_SYNC_S else passed(subject, found)


def check_sound(
    audio: Audio, sleep: Callable[[float], None] = time.sleep, *, silent: bool = False
) -> Finding:
    """Name the sound devices, and play a short tone and a cue as far as the settings enable them.

    With `silent` nothing is played. Otherwise the user confirms what was heard.
    """
    if audio.output == "off":
        step = 'Set output = "tone" under [audio] to hear the instrument'
        return warned("sound", "the settings disable all sound, including warnings", step)
    if silent:
        return _without_tone(audio)
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


def _without_tone(audio: Audio) -> Finding:
    try:
        names = output_devices()
    except SoundError as error:
        return failed("sound", str(error), "Install what the message names")
    if not names:
        step = "Connect a device; an amplifier on the pins needs install.sh --sound i2s"
        return failed("sound", "there is no sound device", step)
    there = f"there are: {', '.join(names)}"
    if audio.device is not None and not any(audio.device.lower() in name.lower() for name in names):
        step = "Set device = … under [audio] to a part of one of these names"
        return failed("sound", f'no device has "{audio.device}" in its name; {there}', step)
    return warned("sound", f"no tone was played; {there}", "Run the check without --silent to hear it")
