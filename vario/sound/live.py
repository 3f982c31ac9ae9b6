"""The sound of the flight as it happens, through PortAudio and the library `sounddevice`.

Two threads meet here. The flight hands over commands and never waits. PortAudio asks for a block of 10 ms
whenever the device needs one. A device that has gone is not opened again here (see `vario.outlet`).
"""

from __future__ import annotations

import time
from contextlib import suppress
from types import ModuleType, TracebackType
from typing import Any, Self

from vario.flight.tone.stage import ToneCommand
from vario.sound.block_player import BlockPlayer
from vario.sound.errors import SoundDeviceError

BLOCK_S = 0.010

HUNG_AFTER_S = 1.0
"""A device that asks for no block for so long counts as lost."""


class LiveSink:
    """Plays tone commands on a sound device.

    If the device goes (a plug pulled, a driver stopped), commands are still taken, and `is_playing` says so.
    Use it as a context manager.

    Attributes:
        underruns: blocks that came too late for the device; each may have been heard as a click.

    Args:
        sample_rate_hz: samples a second.
        device: name or part of the name of the device; None is the system's default.

    Raises:
        SoundDeviceError: if the library or the device is missing at the start.
    """

    def __init__(self, sample_rate_hz: int = 44100, device: str | None = None) -> None:
        self._library = _sounddevice()
        self._player = BlockPlayer(sample_rate_hz)
        self._device = device
        self.underruns = 0
        self._ended = False
        try:
            self._stream: Any = self._open()
        except SoundDeviceError:
            self._rescan()  # it may have been plugged in since the devices were listed
            self._stream = self._open()

    @property
    def is_playing(self) -> bool:
        """Whether the device is there and asks for sound."""
        is_hung = time.monotonic() - self._asked_s > HUNG_AFTER_S
        return self._stream is not None and not self._ended and not is_hung

    @property
    def is_lost(self) -> bool:
        """Whether it has to be closed and opened again."""
        return not self.is_playing

    @property
    def latency_s(self) -> float | None:
        """Delay of the device's own buffer, as PortAudio states it; None while it is gone."""
        stream = self._stream
        return None if stream is None else float(stream.latency)

    def play(self, command: ToneCommand, duration_s: float = 0.0) -> None:  # noqa: ARG002  (see Sink)
        """Let `command` sound from the next block on, until another one comes or it is stale.

        Raises:
            ValueError: if the command cannot be played.
        """
        self._player.put(command)

    def fill(self, out: Any, frames: int, moment: object, status: Any) -> None:  # noqa: ARG002
        """The next block, for PortAudio to call from its thread; `status` says whether the last came late."""
        self._asked_s = time.monotonic()
        if status.output_underflow:
            self.underruns += 1
        out[:] = self._player.fill(frames).tobytes()

    def close(self) -> None:
        """Stop; doing so twice is harmless."""
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
                f"found: {', '.join(self._names()) or 'no sound device at all'}"
            ) from error
        return stream

    def _names(self) -> list[str]:
        try:
            return [str(d["name"]) for d in self._library.query_devices() if d["max_output_channels"] > 0]
        except self._library.PortAudioError:
            return []

    def _end(self) -> None:
        """PortAudio has stopped, whyever."""
        self._ended = True

    def _rescan(self) -> None:
        # PortAudio lists the devices once, when it starts; only starting it anew finds one plugged in since.
        # The library offers that under these names only.
        try:
            with suppress(self._library.PortAudioError):  # it is not running, if it last failed to start
                self._library._terminate()
            self._library._initialize()
        except self._library.PortAudioError as error:
            raise SoundDeviceError(f"PortAudio cannot look for sound devices: {error}") from error


def _sounddevice() -> ModuleType:
    try:
        import sounddevice  # noqa: PLC0415  (optional: who only replays does not need it)
    except ImportError as error:
        raise SoundDeviceError("live sound needs the extra live: pip install 'glider-vario[live]'") from error
    except OSError as error:  # the package is there, the library it wraps is not
        raise SoundDeviceError("live sound needs PortAudio; on Debian: apt install libportaudio2") from error
    except Exception as error:  # PortAudio's own, of a class in the module that has just failed to load
        raise SoundDeviceError(f"PortAudio cannot be started: {error}") from error
    library: ModuleType = sounddevice
    return library
