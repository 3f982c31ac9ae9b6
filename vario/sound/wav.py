"""The sound of a flight as a WAV file, written as it is made."""

from __future__ import annotations

import wave
from pathlib import Path
from types import TracebackType
from typing import Self

from vario.flight.tone.stage import ToneCommand
from vario.sound.errors import SoundFileError
from vario.sound.synth import Step, Synth

_AT_ONCE = 1 << 14
"""So many samples, most of a second, wait to be rendered together: far cheaper than frame by frame."""

_MOST_BYTES = (1 << 32) - 64  # sizes in a WAV header are 32-bit, and the header itself counts


class WavSink:
    """Plays tone commands into a 16-bit mono WAV file; memory does not grow with its length.

    Use it as a context manager. If anything goes wrong within, the file is still closed with a header
    that tells its true length.

    Args:
        path: file to write; an existing one is replaced.
        sample_rate_hz: samples a second.

    Raises:
        SoundFileError: from every method that writes, if the disk refuses.
    """

    def __init__(self, path: str | Path, sample_rate_hz: int = 22050) -> None:
        self.path = Path(path)
        self._synth = Synth(sample_rate_hz)
        self._samples = 0
        self._steps: list[Step] = []
        self._queued = 0
        self._t_s = 0.0
        self._t_lost_s = 0.0
        try:
            self._file = self.path.open("wb")
        except OSError as error:
            raise self._error(error) from error
        self._wave: wave.Wave_write = wave.open(self._file, "wb")  # noqa: SIM115 - likewise
        self._wave.setnchannels(1)
        self._wave.setsampwidth(2)
        self._wave.setframerate(sample_rate_hz)

    @property
    def duration_s(self) -> float:
        """How much has been played."""
        return self._t_s

    def play(self, command: ToneCommand, duration_s: float) -> None:
        """Let `command` sound for the next `duration_s` seconds.

        Durations need not be whole samples: after every call round(t · rate) samples are played, t being
        the sum of all durations, so sound and trace never drift apart. Closing the file writes the last.

        Raises:
            ValueError: if the duration is negative or the command cannot be played.
            SoundFileError: if the file cannot be written or would pass 4 GiB, the limit of WAV.
        """
        if not duration_s >= 0.0:
            raise ValueError(f"a duration of {duration_s:g} s: expected 0 or more")
        # Kahan's compensated sum: millions of short steps add up without their rounding errors.
        step_s = duration_s - self._t_lost_s
        t_s = self._t_s + step_s
        self._t_lost_s = (t_s - self._t_s) - step_s
        self._t_s = t_s
        total = round(t_s * self._synth.sample_rate_hz)
        if total * 2 > _MOST_BYTES:
            raise SoundFileError(
                f"{self.path}: {t_s / 3600:.1f} h of sound pass 4 GiB, the most a WAV can hold"
            )
        if self._samples < total:
            self._synth.check(command)
        while self._samples < total:
            n = min(total - self._samples, _AT_ONCE)  # a long silence in pieces
            if self._queued + n > _AT_ONCE:
                self._write()
            self._steps.append((command, n))
            self._queued += n
            self._samples += n

    def close(self) -> None:
        """Finish the file; doing so twice is harmless."""
        if self._file.closed:
            return
        try:
            with self._file:
                try:
                    self._write()
                finally:
                    self._wave.close()
        except OSError as error:
            raise self._error(error) from error

    def _write(self) -> None:
        """Render and write what waits."""
        steps, self._steps, self._queued = self._steps, [], 0
        pcm = self._synth.render_all(steps)
        try:
            self._wave.writeframesraw(pcm.astype("<i2", copy=False).tobytes())
        except OSError as error:
            raise self._error(error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.close()
        except SoundFileError:
            if kind is None:  # else what went wrong first is the better message
                raise

    def _error(self, error: OSError) -> SoundFileError:
        return SoundFileError(f"{self.path}: cannot write the sound: {error.strerror or error}")
