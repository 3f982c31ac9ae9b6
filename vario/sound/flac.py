"""The sound of a flight as a FLAC file, written as it is made.

The format is RFC 9639. The library libsndfile, called through soundfile, encodes at its default compression.
"""

from __future__ import annotations

import os
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from vario.flight.tone.stage import ToneCommand
from vario.sound.errors import SoundFileError, SoundLibraryError
from vario.sound.synth import Step, Synth

_AT_ONCE = 1 << 14
"""So many samples, most of a second, wait to be rendered together: far cheaper than frame by frame."""

# RFC 9639, section 8.2: STREAMINFO begins at byte 8 of the file, after the marker and a block header of 4
# bytes each. Its largest block size is 2 bytes at 10. The 8 bytes at 18 hold the sample rate (20 bits), the
# channels less one (3), the bits of a sample less one (5) and the number of samples (36, 0 for unknown).
_BLOCK_SIZE_AT, _LENGTH_AT = 10, 18
_MOST_SAMPLES = (1 << 36) - 1


def load_soundfile() -> Any:
    """The module soundfile, which needs the library libsndfile: its wheels bring it, other builds do not.

    Raises:
        SoundLibraryError: if one of the two is missing.
    """
    try:
        return import_module("soundfile")  # only sound files need it
    except (ImportError, OSError) as error:
        raise SoundLibraryError(
            f"sound files need soundfile and libsndfile, which cannot be loaded ({error}); "
            "try pip install soundfile, or where that has no wheel, apt install libsndfile1"
        ) from error


class FlacSink:
    """Plays tone commands into a 16-bit mono FLAC file; memory does not grow with its length.

    Where nothing was played, the file holds one silent sample: FLAC has no file of none.

    Use it as a context manager. If anything goes wrong within, the file is still closed and complete. If the
    process is killed, at most the last 1.2 s of sound are missing and the rest can be decoded.

    Args:
        path: file to write; an existing one is replaced.
        sample_rate_hz: samples a second.

    Raises:
        SoundLibraryError: if the encoder cannot be loaded.
        SoundFileError: from every method that writes, if the file cannot be written.
    """

    def __init__(self, path: str | Path, sample_rate_hz: int = 22050) -> None:
        soundfile = load_soundfile()
        self.path = Path(path)
        self._synth = Synth(sample_rate_hz)
        self._samples = 0
        self._steps: list[Step] = []
        self._queued = 0
        self._t_s = 0.0
        self._t_lost_s = 0.0
        # libsndfile writes to the descriptor itself. With a Python file it would call back into Python, where
        # an interrupt from the keyboard is lost.
        try:
            self._file = self.path.open("w+b", buffering=0)
        except OSError as error:
            raise self._error(error) from error
        self._encoder_error: type[Exception] = soundfile.SoundFileError
        try:
            self._encoder: Any = soundfile.SoundFile(
                self._file.fileno(), "w", sample_rate_hz, 1, "PCM_16", format="FLAC", closefd=False
            )
        except self._encoder_error as error:
            with self._file:
                raise self._error(self._reason(error)) from error

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
            SoundFileError: if the file cannot be written or would pass 2^36 samples, the limit of FLAC.
        """
        if not duration_s >= 0.0:
            raise ValueError(f"a duration of {duration_s:g} s: expected 0 or more")
        # Kahan's compensated sum: millions of short steps add up without their rounding errors.
        step_s = duration_s - self._t_lost_s
        t_s = self._t_s + step_s
        self._t_lost_s = (t_s - self._t_s) - step_s
        self._t_s = t_s
        total = round(t_s * self._synth.sample_rate_hz)
        if total > _MOST_SAMPLES:
            raise SoundFileError(f"{self.path}: {t_s / 3600:.0f} h of sound are more than a FLAC can hold")
        if self._samples < total:
            self._synth.check(command)
        while self._samples < total:
            n = min(total - self._samples, _AT_ONCE)  # a long silence in pieces
            if self._queued + n > _AT_ONCE:
                self._write()
                self._write_length()
            self._steps.append((command, n))
            self._queued += n
            self._samples += n

    def close(self) -> None:
        """Finish the file; doing so twice is harmless."""
        if self._file.closed:
            return
        with self._file:
            try:
                self._write()
                if self._samples == 0:
                    # A length of 0 stands for one that is not known, so a file of nothing cannot be told.
                    self._encode(np.zeros(1, np.int16))
                    self._samples = 1
            finally:
                self._finish()

    def _write(self) -> None:
        """Render and encode what waits."""
        steps, self._steps, self._queued = self._steps, [], 0
        self._encode(self._synth.render_all(steps))

    def _encode(self, pcm: NDArray[np.int16]) -> None:
        try:
            self._encoder.write(pcm)
        except self._encoder_error as error:
            raise self._error(self._reason(error)) from error

    def _write_length(self) -> None:
        """Let the header tell how many samples can be decoded by now.

        The encoder does so only at the end, and without it libsndfile cannot read the file. One block more
        than the encoder may hold back is left out.
        """
        fd = self._file.fileno()
        try:
            block = int.from_bytes(os.pread(fd, 2, _BLOCK_SIZE_AT), "big")
            encoded = max((self._samples - self._queued) // block - 1, 0) * block
            fields = int.from_bytes(os.pread(fd, 8, _LENGTH_AT), "big") & ~_MOST_SAMPLES | encoded
            os.pwrite(fd, fields.to_bytes(8, "big"), _LENGTH_AT)
        except OSError as error:
            raise self._error(error) from error

    def _finish(self) -> None:
        """Let the encoder write the last block and the length.

        The encoder does not report a failure of either, but then it leaves the length as it was.
        """
        try:
            self._encoder.close()
            fields = os.pread(self._file.fileno(), 8, _LENGTH_AT)
        except self._encoder_error as error:
            raise self._error(self._reason(error)) from error
        except OSError as error:
            raise self._error(error) from error
        if int.from_bytes(fields, "big") & _MOST_SAMPLES != self._samples:
            raise self._error(self._reason(OSError("the last samples are missing")))

    def _reason(self, error: Exception) -> OSError:
        """Why the encoder could not write, which it does not say: what the system says to one more write."""
        fd = self._file.fileno()
        try:
            size = os.fstat(fd).st_size
            os.pwrite(fd, bytes(4096), size)
            os.ftruncate(fd, size)
        except OSError as reason:
            return reason
        return OSError(str(error))

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
