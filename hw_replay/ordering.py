"""Sort samples by time: all rows of a file, or a stream in which some samples are slightly late.

Rows that do not fit into memory are sorted in runs in a temporary file and merged block by block.
"""

from __future__ import annotations

import heapq
import struct
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from typing import IO

import numpy as np
from numpy.typing import NDArray

from drivers.samples import Sample
from hw_replay.errors import RecordingError

_ROW = struct.Struct("<qqqddd")
_DTYPE = np.dtype(
    [("t_ns", "<i8"), ("place", "<i8"), ("kind", "<i8"), ("v1", "<f8"), ("v2", "<f8"), ("v3", "<f8")]
)

_UNPACKED_ROWS = 4096

Row = tuple[int, int, int, float, float, float]
"""A row: time in ns, place in the file, kind of row, three values."""

_Rows = NDArray[np.void]


MOST_WAITING = 200_000
"""Largest number of samples that wait to be ordered. With sensors at 1 kHz that is over a minute."""


def in_order(samples: Iterable[Sample], late_s: float) -> Iterator[Sample]:
    """The samples in order of time, if none is more than `late_s` late; equal times keep their order."""
    waiting: list[tuple[float, int, Sample]] = []
    for number, sample in enumerate(samples):
        heapq.heappush(waiting, (sample.t_s, number, sample))
        while waiting[0][0] < sample.t_s - late_s or len(waiting) > MOST_WAITING:
            yield heapq.heappop(waiting)[2]
    while waiting:
        yield heapq.heappop(waiting)[2]


class RowSorter:
    """Accepts rows in any order and returns them in order of time, then of place.

    Memory use is limited to a few times `run_rows` rows of 48 bytes. Other rows are kept in a temporary file,
    which is deleted when the sorter is closed. Use it as a context manager.

    Args:
        run_rows: number of rows that are sorted in memory at a time.
    """

    def __init__(self, run_rows: int = 1 << 17) -> None:
        self._run_rows = run_rows
        self._buffer = bytearray(run_rows * _ROW.size)
        self._filled = 0
        self._run_sizes: list[int] = []
        self._stack = ExitStack()
        self._spool: IO[bytes] | None = None

    def add(self, t_ns: int, place: int, kind: int, values: tuple[float, float, float]) -> None:
        """Add one row; `place` must be different for every row."""
        if self._filled == self._run_rows:
            self._store_run()
        _ROW.pack_into(self._buffer, self._filled * _ROW.size, t_ns, place, kind, *values)
        self._filled += 1

    def rows(self) -> Iterator[Row]:
        """All rows in order. No row may be added afterwards."""
        for block in self._merged() if self._spool is not None else [self._sorted_run()]:
            for start in range(0, len(block), _UNPACKED_ROWS):  # Python numbers would take 8 times the memory
                yield from block[start : start + _UNPACKED_ROWS].tolist()

    def close(self) -> None:
        """Remove the temporary file."""
        self._stack.close()

    def __enter__(self) -> RowSorter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _sorted_run(self) -> _Rows:
        rows = np.frombuffer(self._buffer, _DTYPE, count=self._filled)
        return rows[np.lexsort((rows["place"], rows["t_ns"]))]

    def _store_run(self) -> None:
        try:
            if self._spool is None:
                file = tempfile.TemporaryFile(prefix="rows-")  # noqa: SIM115 -- the stack closes it
                self._spool = self._stack.enter_context(file)
            self._spool.write(self._sorted_run().tobytes())
            self._spool.flush()
        except OSError as error:
            raise RecordingError(
                f"{tempfile.gettempdir()}: no temporary file for sorting the rows: {error.strerror}"
            ) from error
        self._run_sizes.append(self._filled)
        self._filled = 0

    def _merged(self) -> Iterator[_Rows]:
        self._store_run()
        assert self._spool is not None  # noqa: S101 -- _store_run made it
        block_rows = max(16, self._run_rows // len(self._run_sizes))
        runs = []
        first = 0
        for size in self._run_sizes:
            runs.append(_Run(self._spool, first, size, block_rows))
            first += size
        while runs:
            # Rows up to the earliest end of a block are final, because all rows on disk are later.
            ends = [run.end for run in runs if run.has_more]
            limit = min(ends) if ends else None
            block = np.concatenate([run.take(limit) for run in runs])
            yield block[np.lexsort((block["place"], block["t_ns"]))]
            runs = [run for run in runs if run.refill()]


class _Run:
    """One sorted run in the temporary file, with its next block in memory."""

    def __init__(self, spool: IO[bytes], first: int, size: int, block_rows: int) -> None:
        self._spool = spool
        self._next = first
        self._stop = first + size
        self._block_rows = block_rows
        self._rows: _Rows = np.empty(0, _DTYPE)
        self.refill()

    @property
    def has_more(self) -> bool:
        """Whether there are more rows on the disk."""
        return self._next < self._stop

    @property
    def end(self) -> tuple[int, int]:
        """Time and place of the block's last row."""
        last = self._rows[-1]
        return int(last["t_ns"]), int(last["place"])

    def take(self, limit: tuple[int, int] | None) -> _Rows:
        """Remove and return the rows of the block up to and including `limit`; all if it is None."""
        count = len(self._rows)
        if limit is not None:
            t_ns, place = limit
            same_from = int(np.searchsorted(self._rows["t_ns"], t_ns, "left"))
            same_to = int(np.searchsorted(self._rows["t_ns"], t_ns, "right"))
            same = self._rows["place"][same_from:same_to]
            count = same_from + int(np.searchsorted(same, place, "right"))
        taken, self._rows = self._rows[:count], self._rows[count:]
        return taken

    def refill(self) -> bool:
        """Read the next block if this one is used up; False if nothing is left at all."""
        if len(self._rows) == 0 and self.has_more:
            count = min(self._block_rows, self._stop - self._next)
            self._spool.seek(self._next * _ROW.size)
            self._rows = np.frombuffer(self._spool.read(count * _ROW.size), _DTYPE)
            self._next += count
        return len(self._rows) > 0
