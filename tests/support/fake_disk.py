"""A disk with simulated faults: full, read-only, removed, slow; and its state after a power failure.

It keeps its files in folders of the system, so other code can read them. A power failure leaves only what
POSIX guarantees. Of a file it leaves the flushed data, and any part of the rest, or zeros in its place. Of
names it leaves those that were flushed with their folder, and the first of the later changes.
"""

from __future__ import annotations

import errno
import io
import math
import os
import resource
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import BinaryIO, Literal, cast

from hw_replay.disk import FileSystem, SystemDisk


class FaultyDisk:
    """A `Disk` with faults.

    Args:
        wait: called with the delay of a slow disk, s.

    Attributes:
        room_bytes: free space; a write that does not fit fails (ENOSPC).
        read_only: every write fails (EROFS), as on a worn card.
        removed: every access fails (EIO).
        sync_s: duration of a flush.
        operations_left: number of operations until every access fails, as at a power failure.
        power_cuts: number of power failures so far.
        memory: the file system, if it is in memory.
        exchanges: whether it can exchange two names; a FAT file system cannot on older kernels.
    """

    def __init__(self, wait: Callable[[float], None] = lambda _: None) -> None:
        self.room_bytes: float = math.inf
        self.read_only = False
        self.removed = False
        self.sync_s = 0.0
        self.operations_left: float = math.inf
        self.exchanges = True
        self.memory: str | None = None
        self._wait = wait
        self._system = SystemDisk()
        self._safe_bytes: dict[int, int] = {}
        """Number of flushed bytes by file (inode)."""
        self._folders: set[Path] = set()
        self.power_cuts = 0
        self._undo: list[tuple[Path, Callable[[], None]]] = []
        """Changes of names that are not flushed yet: the folder, and the function that reverts the change."""

    def make_folder(self, path: Path) -> None:
        """See `Disk`."""
        if not path.is_dir() or self.removed:
            self._check(writes=True)
        self._system.make_folder(path)

    def free_bytes(self, folder: Path) -> int:
        """See `Disk`."""
        self._check()
        return int(min(self.room_bytes, self._system.free_bytes(folder)))

    def create(self, path: Path, *, new: bool = False) -> BinaryIO:
        """See `Disk`."""
        self._check(writes=True)
        raw = _FaultyFile(self, path, "xb" if new else "wb")
        self._folders.add(path.parent)
        self._safe_bytes[path.stat().st_ino] = 0
        self._undo.append((path.parent, lambda: path.unlink(missing_ok=True)))
        return cast("BinaryIO", io.BufferedWriter(raw))

    def sync(self, file: BinaryIO) -> None:
        """See `Disk`."""
        self._slowly()
        found = os.fstat(file.fileno())
        self._safe_bytes[found.st_ino] = found.st_size

    def sync_path(self, path: Path) -> None:
        """See `Disk`."""
        self._slowly()
        if path.is_dir():
            self._undo = [(folder, undo) for folder, undo in self._undo if folder != path]
        else:
            found = path.stat()
            self._safe_bytes[found.st_ino] = found.st_size

    def rename(self, path: Path, to: Path) -> None:
        """See `Disk`."""
        self._check(writes=True)
        lost = None
        if to.exists():
            lost = to.read_bytes()
            self._safe_bytes.pop(to.stat().st_ino, None)
        self._system.rename(path, to)

        def undo() -> None:
            self._system.rename(to, path)
            if lost is not None:
                to.write_bytes(lost)

        self._undo.append((to.parent, undo))

    def rename_free(self, path: Path, to: Path) -> bool:
        """See `Disk`."""
        if to.exists():
            return False
        self.rename(path, to)
        return True

    def exchange(self, one: Path, other: Path) -> bool:
        """See `Disk`."""
        self._check(writes=True)
        done = self.exchanges and self._system.exchange(one, other)
        if done:
            self._undo.append((other.parent, lambda: self._back(one, other)))
        return done

    def link(self, path: Path, to: Path) -> None:
        """See `Disk`."""
        self._check(writes=True)
        self._system.link(path, to)
        self._undo.append((to.parent, lambda: to.unlink(missing_ok=True)))

    def remove(self, path: Path) -> None:
        """See `Disk`."""
        self._check(writes=True)
        if path.exists():
            content, inode = path.read_bytes(), path.stat().st_ino
            last_name = path.stat().st_nlink == 1
            safe = self._safe_bytes.pop(inode, len(content)) if last_name else len(content)
            self._system.remove(path)

            def undo() -> None:
                path.write_bytes(content)
                self._safe_bytes[path.stat().st_ino] = safe

            self._undo.append((path.parent, undo))

    def file_system(self, folder: Path) -> FileSystem:
        """See `Disk`."""
        return FileSystem(self.memory or SystemDisk().file_system(folder).kind, self.memory)

    def cut_power(self, chance: Random) -> None:
        """Set the state after a power failure. Files that are open then are not written any more."""
        self.power_cuts += 1
        for _, undo in reversed(self._undo[chance.randint(0, len(self._undo)) :]):
            undo()
        for folder in self._folders:
            for path in folder.iterdir():
                self._spoil(path, chance)
        self._undo.clear()
        self._safe_bytes.clear()

    def _spoil(self, path: Path, chance: Random) -> None:
        found = path.stat()
        safe = self._safe_bytes.get(found.st_ino, found.st_size)
        if not path.is_file() or safe >= found.st_size:
            return
        content = path.read_bytes()
        kept = chance.randint(safe, len(content))
        length = chance.randint(kept, len(content))
        path.write_bytes(content[:kept] + bytes(length - kept))

    def taken(self, length: int) -> int:
        """The number of bytes of a write that fit; they are subtracted from the free space."""
        self._check(writes=True)
        fits = int(min(length, self.room_bytes))
        if length and not fits:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.room_bytes -= fits
        return fits

    def _back(self, one: Path, other: Path) -> None:
        if one.exists():
            self._system.exchange(one, other)

    def _slowly(self) -> None:
        self._check()
        if self.sync_s:
            self._wait(self.sync_s)

    def _check(self, *, writes: bool = False) -> None:
        self.operations_left -= 1
        if self.removed or self.operations_left < 0:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        if self.read_only and writes:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))


@contextmanager
def files_of_at_most(size: int) -> Iterator[None]:
    """In this process no file can grow beyond `size` bytes: then a write fails, as on a full disk.

    setrlimit(2), RLIMIT_FSIZE; Python ignores the signal for it (SIGXFSZ).
    """
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))


class _FaultyFile(io.RawIOBase):
    """A file of a faulty disk."""

    def __init__(self, disk: FaultyDisk, path: Path, mode: Literal["xb", "wb"]) -> None:
        super().__init__()
        self.name = str(path)
        self._disk = disk
        self._power_cuts = disk.power_cuts
        self._file = path.open(mode, buffering=0)

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def fileno(self) -> int:
        return self._file.fileno()

    def write(self, data: object) -> int:
        view = memoryview(data)  # type: ignore[arg-type]  # any buffer, as the base class has it
        if self._disk.power_cuts != self._power_cuts:
            return len(view)
        return self._file.write(view[: self._disk.taken(len(view))])

    def close(self) -> None:
        if not self.closed:
            self._file.close()
        super().close()
