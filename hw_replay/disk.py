"""What the recorder and the settings need of a disk: one seam, so that a disk that fails can stand in for it.

`SystemDisk` is the real one, `FaultyDisk` (hw_replay/fake_disk.py) one with faults to order.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import secrets
import shutil
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO, Protocol

_AT_FDCWD, _NO_REPLACE, _EXCHANGE = -100, 1, 2
"""Of renameat2(2)."""

_IN_MEMORY = frozenset({"tmpfs", "ramfs", "devtmpfs"})
"""Types of file systems that are gone when the power is (Linux, Documentation/filesystems)."""

_MOUNTS = Path("/proc/self/mountinfo")


class Disk(Protocol):
    """Files and folders. Every method raises OSError if the disk refuses."""

    def make_folder(self, path: Path) -> None:
        """Make a folder and those above it, if need be."""

    def free_bytes(self, folder: Path) -> int:
        """Room left."""

    def create(self, path: Path, *, new: bool = False) -> BinaryIO:
        """An empty file to write; one that was there is emptied, or with `new` is a FileExistsError."""

    def sync(self, file: BinaryIO) -> None:
        """Force what has been handed over of a file onto the disk."""

    def sync_path(self, path: Path) -> None:
        """Force a file, or the names in a folder, onto the disk."""

    def rename(self, path: Path, to: Path) -> None:
        """Give a file another name, which another file loses."""

    def rename_free(self, path: Path, to: Path) -> bool:
        """Give a file another name; false, and nothing is done, if another file has that name."""

    def exchange(self, one: Path, other: Path) -> bool:
        """Exchange two names in one stroke; false if the system cannot."""

    def link(self, path: Path, to: Path) -> None:
        """Give a file one more name, which must be free."""

    def remove(self, path: Path) -> None:
        """Take a name away, if it is there."""

    def in_memory(self, folder: Path) -> str | None:
        """What holds a folder, if that is lost when the power goes; None if it is not."""


class SystemDisk:
    """The disk of the system."""

    def make_folder(self, path: Path) -> None:
        """As the protocol says."""
        made = [one for one in (path, *path.parents) if not one.exists()]
        path.mkdir(parents=True, exist_ok=True)
        for one in reversed(made):
            give_to_owner_of(one.parent, one)

    def free_bytes(self, folder: Path) -> int:
        """As the protocol says."""
        return shutil.disk_usage(folder).free

    def create(self, path: Path, *, new: bool = False) -> BinaryIO:
        """As the protocol says."""
        is_there = path.exists()
        file = path.open("xb" if new else "wb")
        if not is_there:
            give_to_owner_of(path.parent, path)
        return file

    def sync(self, file: BinaryIO) -> None:
        """As the protocol says."""
        os.fsync(file.fileno())

    def sync_path(self, path: Path) -> None:
        """As the protocol says."""
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def rename(self, path: Path, to: Path) -> None:
        """As the protocol says."""
        path.replace(to)

    def rename_free(self, path: Path, to: Path) -> bool:
        """As the protocol says. Where the system cannot do both at once, it looks first."""
        done = _rename(path, to, _NO_REPLACE)
        if done == errno.EEXIST or (done and to.exists()):
            return False
        if done:
            path.rename(to)
        return True

    def exchange(self, one: Path, other: Path) -> bool:
        """As the protocol says."""
        return not _rename(one, other, _EXCHANGE)

    def link(self, path: Path, to: Path) -> None:
        """As the protocol says."""
        os.link(path, to)

    def remove(self, path: Path) -> None:
        """As the protocol says."""
        path.unlink(missing_ok=True)

    def in_memory(self, folder: Path) -> str | None:
        """As the protocol says; None too where the system does not tell."""
        try:
            return held_in_memory(folder.resolve(), _MOUNTS.read_text("utf-8", errors="surrogateescape"))
        except OSError:
            return None


def held_in_memory(folder: Path, mountinfo: str) -> str | None:
    """What holds a folder, if that is lost when the power goes; None if it is not, or if nobody knows.

    An overlay keeps changes in its upper folder. On a Raspberry Pi whose root is set read-only, that folder
    is on a tmpfs. Where it is on no file system to be seen, as in a container, nobody knows.

    Args:
        folder: absolute, without links.
        mountinfo: the text of /proc/self/mountinfo (Linux, proc(5)).
    """
    mounts = [_mount(line) for line in mountinfo.splitlines() if " - " in line]
    for _ in range(len(mounts)):  # an overlay may lie upon another one
        # The later mount hides the earlier one at the same place.
        holding = [one for one in mounts if folder.is_relative_to(one[0])]
        if not holding:
            return None
        place, kind, options = max(holding, key=lambda one: len(one[0].parts))
        place, kind, options = [one for one in holding if one[0] == place][-1]
        if kind in _IN_MEMORY:
            return f"{kind} at {place}"
        upper = re.search(r"(?:^|,)upperdir=([^,]+)", options)
        if kind != "overlay" or upper is None:
            return None
        folder = Path(upper[1])
    return None


def _mount(line: str) -> tuple[Path, str, str]:
    """Mount point, type and options of a line of mountinfo."""
    before, _, after = line.partition(" - ")
    kind, _, options = after.split(" ", 2)
    return Path(_unescaped(before.split(" ")[4])), kind, _unescaped(options)


def _unescaped(text: str) -> str:
    """Spaces and the like stand as octal numbers (proc(5))."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)


def _rename(path: Path, to: Path, flags: int) -> int:
    """renameat2(2); 0, or the number of the error."""
    call: Callable[..., int] | None = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return errno.ENOSYS
    return ctypes.get_errno() if call(_AT_FDCWD, bytes(path), _AT_FDCWD, bytes(to), flags) else 0


def open_regular(path: Path) -> BinaryIO:
    """Open a file for reading; never waits.

    Opening a named pipe waits for a writer, and a device may give bytes for ever.

    Raises:
        IsADirectoryError: if it is a directory.
        OSError: if it is anything else but a file, or cannot be opened.
    """
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode):
        os.close(handle)
        number = errno.EISDIR if stat.S_ISDIR(mode) else errno.EINVAL
        text = (
            os.strerror(errno.EISDIR) if stat.S_ISDIR(mode) else "a pipe, socket or device; expected a file"
        )
        raise OSError(number, text, str(path))
    return os.fdopen(handle, "rb")


def temporary_beside(path: Path) -> Path:
    """A name in the same folder that no other program takes, short whatever the length of `path`'s.

    Its ending is its own: who looks for recordings or marks by their ending must not find half a one.
    """
    return path.with_name(f".{secrets.token_hex(8)}.partial")


def give_to_owner_of(model: Path, path: Path) -> None:
    """What root makes belongs to whoever `model` belongs to, as if that one had made it."""
    if os.geteuid() != 0:
        return
    found = model.stat()
    if (found.st_uid, found.st_gid) != (0, 0):
        with suppress(OSError):  # a file system that knows no owners
            os.chown(path, found.st_uid, found.st_gid, follow_symlinks=False)


SYSTEM_DISK = SystemDisk()
