"""Write the sound of a flight to a FLAC file during the replay.

The format is RFC 9639. The library libsndfile, called through soundfile, encodes with its default
compression.
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
from vario.sound.synth import LOWEST_RATE_HZ, Step, Synth
from vario.sound.word_bank import WordBank

_AT_ONCE = 1 << 14
"""Number of samples (most of a second) rendered together, which is much cheaper than frame by frame."""

# RFC 9639, section 8.2: STREAMINFO begins at byte 8 of the file, after the marker and a block header of 4
# bytes each. Its maximum block size is 2 bytes at byte 10. The 8 bytes at byte 18 contain the sample rate
# (20 bits), number of channels minus 1 (3), bits per sample minus 1 (5) and number of samples (36, 0:
# unknown).
_BLOCK_SIZE_AT, _LENGTH_AT = 10, 18
_MOST_SAMPLES = (1 << 36) - 1


def load_soundfile() -> Any:
    """The module soundfile with its library libsndfile, which only its wheels include.

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
    """Plays tone commands into a 16-bit mono FLAC file. Memory does not grow with its length.

    If nothing was played, the file contains one silent sample, because FLAC does not allow an empty
    file.

    Use it as a context manager. After an error inside it, the file is still closed and complete. If the
    process is killed, at most the last 1.2 s of the sound are lost, and the rest can be decoded.

    Args:
        path: file to write; an existing one is replaced.
        sample_rate_hz: samples per second.
        words: recorded words at this rate, for speech; None: nothing is said.

    Raises:
        SoundLibraryError: if the encoder cannot be loaded.
        SoundFileError: from every method that writes, if the file cannot be written.
    """

    def __init__(
        self, path: str | Path, sample_rate_hz: int = LOWEST_RATE_HZ, words: WordBank | None = None
    ) -> None:
        soundfile = load_soundfile()
        self.path = Path(path)
        self._synth = Synth(sample_rate_hz, words)
        self._samples = 0
        self._steps: list[Step] = []
        self._queued = 0
        self._t_s = 0.0
        self._t_lost_s = 0.0
        # libsndfile writes to the descriptor itself. With a Python file object it would call Python,
        # where a keyboard interrupt is lost.
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
        """Length of the sound so far."""
        return self._t_s

    def play(self, command: ToneCommand, duration_s: float) -> None:
        """Play `command` for the next `duration_s` seconds.

        Durations need not be whole samples. After each call round(t · rate) samples have been played,
        where t is the sum of all durations, so sound and trace do not drift apart. Closing the file
        writes the last samples.

        Raises:
            ValueError: if the duration is negative or the command cannot be played.
            SoundFileError: if the file cannot be written or would exceed 2^36 samples, the limit
                of FLAC.
        """
        if not duration_s >= 0.0:
            raise ValueError(f"a duration of {duration_s:g} s: expected 0 or more")
        # Kahan summation: the rounding errors of millions of short steps do not accumulate.
        step_s = duration_s - self._t_lost_s
        t_s = self._t_s + step_s
        self._t_lost_s = (t_s - self._t_s) - step_s
        self._t_s = t_s
        total = round(t_s * self._synth.sample_rate_hz)
        if total > _MOST_SAMPLES:
            raise SoundFileError(f"{self.path}: {t_s / 3600:.0f} h of sound exceed the limit of FLAC")
        if self._samples < total:
            self._synth.check(command)
        while self._samples < total:
            n = min(total - self._samples, _AT_ONCE)  # split a long silence into pieces
            if self._queued + n > _AT_ONCE:
                self._write()
                self._write_length()
            self._steps.append((command, n))
            self._queued += n
            self._samples += n

    def close(self) -> None:
        """Finish the file. A second call has no effect."""
        if self._file.closed:
            return
        with self._file:
            try:
                self._write()
                if self._samples == 0:
                    # A length of 0 means unknown in FLAC, so an empty file cannot be expressed.
                    self._encode(np.zeros(1, np.int16))
                    self._samples = 1
            finally:
                self._finish()

    def _write(self) -> None:
        """Render and encode the commands that have accumulated."""
        steps, self._steps, self._queued = self._steps, [], 0
        self._encode(self._synth.render_all(steps))

    def _encode(self, pcm: NDArray[np.int16]) -> None:
        try:
            self._encoder.write(pcm)
        except self._encoder_error as error:
            raise self._error(self._reason(error)) from error

    def _write_length(self) -> None:
        """Write into the header how many samples can be decoded now.

        The encoder writes this only at the end, and libsndfile cannot read a file without it. The count
        leaves out one block more than the encoder may hold back.
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

        The encoder reports no failure of this, but after a failure the length is unchanged.
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
        """Why the encoder could not write. It does not say; one more write gives the error of the system."""
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
            if kind is None:  # otherwise the first error has the better message
                raise

    def _error(self, error: OSError) -> SoundFileError:
        return SoundFileError(f"{self.path}: cannot write the sound: {error.strerror or error}")
