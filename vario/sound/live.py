"""Live sound through PortAudio and the library `sounddevice`.

Two threads are involved. The live loop hands over commands and never waits. PortAudio requests a block of
10 ms whenever the device needs one. This module does not reopen a lost device (see `vario.app.outlet`).
"""

from __future__ import annotations

import time
from contextlib import suppress
from types import ModuleType, TracebackType
from typing import Any, Self

from vario.flight.tone.stage import ToneCommand
from vario.sound.block_player import BlockPlayer
from vario.sound.errors import SoundDeviceError
from vario.sound.word_bank import WordBank

BLOCK_S = 0.010
LIVE_HZ = 44100

HUNG_AFTER_S = 1.0
"""A device that requests no block for this long counts as lost."""


class LiveSink:
    """Plays tone commands on a sound device.

    If the device is lost (unplugged, or its driver has stopped), commands are still accepted, and
    `is_playing` is False. Use it as a context manager.

    Attributes:
        underruns: blocks that were too late for the device; each may be audible as a click.

    Args:
        sample_rate_hz: samples per second.
        device: name of the device or a part of it; None: the default device of the system.
        words: recorded words at this rate; None: nothing is said.

    Raises:
        SoundDeviceError: if the library or the device is missing at the start.
    """

    def __init__(
        self, sample_rate_hz: int = LIVE_HZ, device: str | None = None, words: WordBank | None = None
    ) -> None:
        self._library = _sounddevice()
        self._player = BlockPlayer(sample_rate_hz, words)
        self._device = device
        self.underruns = 0
        self._ended = False
        self._asked_s = time.monotonic()
        try:
            self._stream: Any = self._open()
        except SoundDeviceError:
            self._rescan()  # the device may have been plugged in after the devices were listed
            self._stream = self._open()

    @property
    def is_playing(self) -> bool:
        """Whether the device is present and requests samples."""
        is_hung = time.monotonic() - self._asked_s > HUNG_AFTER_S
        return self._stream is not None and not self._ended and not is_hung

    @property
    def is_lost(self) -> bool:
        """Whether the device must be closed and reopened."""
        return not self.is_playing

    @property
    def latency_s(self) -> float | None:
        """Delay of the buffer of the device, as PortAudio states it; None while the device is lost."""
        stream = self._stream
        return None if stream is None else float(stream.latency)

    def play(self, command: ToneCommand, duration_s: float = 0.0) -> None:  # noqa: ARG002  (see Sink)
        """Play `command` from the next block on, until another command arrives or this one expires.

        Raises:
            ValueError: if the command cannot be played.
        """
        self._player.put(command)

    def fill(self, out: Any, frames: int, moment: object, status: Any) -> None:  # noqa: ARG002
        """The next block, called by PortAudio in its thread; `status` says whether the last one was late."""
        self._asked_s = time.monotonic()
        if status.output_underflow:
            self.underruns += 1
        out[:] = self._player.fill(frames).tobytes()

    def close(self) -> None:
        """Stop. A second call has no effect."""
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.close(ignore_errors=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _open(self) -> Any:
        rate_hz = self._player.sample_rate_hz
        try:
            stream = self._library.RawOutputStream(
                samplerate=rate_hz,
                blocksize=round(BLOCK_S * rate_hz),
                channels=1,
                dtype="int16",
                latency="low",
                device=self._device,
                callback=self.fill,
                finished_callback=self._end,
            )
            self._asked_s = time.monotonic()
            stream.start()
        except (self._library.PortAudioError, ValueError) as error:
            name = "the default sound device" if self._device is None else f'sound device "{self._device}"'
            raise SoundDeviceError(
                f"{name}: cannot be opened at {rate_hz} Hz: {error}; "
                f"found: {', '.join(output_devices()) or 'no sound device at all'}"
            ) from error
        return stream

    def _end(self) -> None:
        """PortAudio has stopped for any reason."""
        self._ended = True

    def _rescan(self) -> None:
        # PortAudio lists the devices only at its start. To find a device plugged in later it must be
        # restarted. The library offers this under these private names only.
        try:
            with suppress(self._library.PortAudioError):  # not running if its last start failed
                self._library._terminate()
            self._library._initialize()
        except self._library.PortAudioError as error:
            raise SoundDeviceError(f"PortAudio cannot look for sound devices: {error}") from error


def output_devices() -> list[str]:
    """The names of the devices that can play, as PortAudio lists them.

    Raises:
        SoundDeviceError: if the library is missing.
    """
    library = _sounddevice()
    try:
        return [str(one["name"]) for one in library.query_devices() if one["max_output_channels"] > 0]
    except library.PortAudioError:
        return []


def _sounddevice() -> ModuleType:
    try:
        import sounddevice  # noqa: PLC0415  (optional: who only replays does not need it)
    except ImportError as error:
        raise SoundDeviceError("live sound needs the extra live: pip install 'glider-vario[live]'") from error
    except OSError as error:  # the package is installed, but the library that it wraps is missing
        raise SoundDeviceError("live sound needs PortAudio; on Debian: apt install libportaudio2") from error
    except Exception as error:  # an exception of PortAudio, whose class is in the module that failed to load
        raise SoundDeviceError(f"PortAudio cannot be started: {error}") from error
    library: ModuleType = sounddevice
    return library
