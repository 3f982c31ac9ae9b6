"""The interface of the recorder and the settings to a disk, so that tests can use a disk with faults.

`SystemDisk` is the real disk; `FaultyDisk` (tests/support/fake_disk.py) simulates faults.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO, Protocol

from drivers.quick import dataclass

_AT_FDCWD, _NO_REPLACE, _EXCHANGE = -100, 1, 2
"""Of renameat2(2)."""

_IN_MEMORY = frozenset({"tmpfs", "ramfs", "devtmpfs"})
"""Types of file systems that are lost without power (Linux, Documentation/filesystems)."""

_MOUNTS = Path("/proc/self/mountinfo")

_Mount = tuple[Path, str, str]
"""Mount point, type and options of a line of mountinfo."""


@dataclass(frozen=True, slots=True)
class FileSystem:
    """Its type, such as "ext4", and its place if it is in memory and lost without power. None: not known."""

    kind: str | None = None
    in_memory: str | None = None


class Disk(Protocol):
    """Operations on files and folders. Every method raises OSError if the disk fails."""

    def make_folder(self, path: Path) -> None:
        """Make a folder and its parents, if they do not exist."""

    def free_bytes(self, folder: Path) -> int:
        """Room left."""

    def create(self, path: Path, *, new: bool = False) -> BinaryIO:
        """Open an empty file to write; an existing one is truncated, or raises FileExistsError with `new`."""

    def sync(self, file: BinaryIO) -> None:
        """Flush the written data of an open file to the disk."""

    def sync_path(self, path: Path) -> None:
        """Flush a file, or the names in a folder, to the disk."""

    def rename(self, path: Path, to: Path) -> None:
        """Rename a file; a file with the new name is replaced."""

    def rename_free(self, path: Path, to: Path) -> bool:
        """Rename a file; return False and do nothing if another file has the new name."""

    def exchange(self, one: Path, other: Path) -> bool:
        """Exchange two names atomically; return False if the system cannot."""

    def link(self, path: Path, to: Path) -> None:
        """Make a hard link; the new name must be free."""

    def remove(self, path: Path) -> None:
        """Delete a name, if it exists."""

    def file_system(self, folder: Path) -> FileSystem:
        """What holds a folder, as far as the system tells."""


class SystemDisk:
    """The disk of the system."""

    def make_folder(self, path: Path) -> None:
        """See `Disk`."""
        made = [one for one in (path, *path.parents) if not one.exists()]
        path.mkdir(parents=True, exist_ok=True)
        for one in reversed(made):
            give_to_owner_of(one.parent, one)

    def free_bytes(self, folder: Path) -> int:
        """See `Disk`."""
        found = os.statvfs(folder)
        return found.f_bavail * found.f_frsize

    def create(self, path: Path, *, new: bool = False) -> BinaryIO:
        """See `Disk`."""
        is_there = path.exists()
        file = path.open("xb" if new else "wb")
        if not is_there:
            give_to_owner_of(path.parent, path)
        return file

    def sync(self, file: BinaryIO) -> None:
        """See `Disk`."""
        os.fsync(file.fileno())

    def sync_path(self, path: Path) -> None:
        """See `Disk`."""
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def rename(self, path: Path, to: Path) -> None:
        """See `Disk`."""
        path.replace(to)

    def rename_free(self, path: Path, to: Path) -> bool:
        """See `Disk`. Where the system has no atomic call, the name is checked first."""
        done = _rename(path, to, _NO_REPLACE)
        if done == errno.EEXIST or (done and to.exists()):
            return False
        if done:
            path.rename(to)
        return True

    def exchange(self, one: Path, other: Path) -> bool:
        """See `Disk`."""
        return not _rename(one, other, _EXCHANGE)

    def link(self, path: Path, to: Path) -> None:
        """See `Disk`."""
        os.link(path, to)

    def remove(self, path: Path) -> None:
        """See `Disk`."""
        path.unlink(missing_ok=True)

    def file_system(self, folder: Path) -> FileSystem:
        """See `Disk`."""
        try:
            return file_system_of(folder.resolve(), _MOUNTS.read_text("utf-8", errors="surrogateescape"))
        except OSError:
            return FileSystem()


def file_system_of(folder: Path, mountinfo: str) -> FileSystem:
    """What holds a folder.

    An overlay keeps changes in its upper folder. On a Raspberry Pi with a read-only root, that folder is on a
    tmpfs. If its file system is not visible, as in a container, it is not known whether it is in memory.

    Args:
        folder: absolute path without links.
        mountinfo: the text of /proc/self/mountinfo (Linux, proc(5)).
    """
    mounts = _mounts(mountinfo)
    found = _holding(folder, mounts)
    return FileSystem() if found is None else FileSystem(found[1], _memory_below(found, mounts))


def _memory_below(mount: _Mount, mounts: list[_Mount]) -> str | None:
    """The mount itself or the upper folder of an overlay, if it is in memory."""
    for _ in range(len(mounts)):  # an overlay may be on top of another one
        place, kind, options = mount
        if kind in _IN_MEMORY:
            return f"{kind} at {place}"
        upper = re.search(r"(?:^|,)upperdir=([^,]+)", options)
        below = _holding(Path(upper[1]), mounts) if kind == "overlay" and upper else None
        if below is None:
            return None
        mount = below
    return None


def _mounts(mountinfo: str) -> list[_Mount]:
    return [_mount(line) for line in mountinfo.splitlines() if " - " in line]


def _holding(folder: Path, mounts: list[_Mount]) -> _Mount | None:
    """The mount that holds a folder: the deepest one; a later mount hides an earlier one at the same path."""
    holding = [one for one in mounts if folder.is_relative_to(one[0])]
    return max(reversed(holding), key=lambda one: len(one[0].parts), default=None)


def _mount(line: str) -> _Mount:
    before, _, after = line.partition(" - ")
    kind, _, options = after.split(" ", 2)
    return Path(_unescaped(before.split(" ")[4])), kind, _unescaped(options)


def _unescaped(text: str) -> str:
    """Decode a field of mountinfo, in which spaces and similar characters are octal numbers (proc(5))."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)


def _rename(path: Path, to: Path, flags: int) -> int:
    """Call renameat2(2); returns 0 or the error number."""
    call: Callable[..., int] | None = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return errno.ENOSYS
    return ctypes.get_errno() if call(_AT_FDCWD, bytes(path), _AT_FDCWD, bytes(to), flags) else 0


def keep_access(handle: int, former: os.stat_result, *, owner_required: bool) -> None:
    """Give a new file the owner, group and permissions of the file that it is to replace.

    Args:
        handle: the new file.
        former: the file to be replaced.
        owner_required: whether it is an error if the system does not permit the owner or group.

    Raises:
        PermissionError: if an owner or group is required that is not permitted.
    """
    ours = os.fstat(handle)
    mode = stat.S_IMODE(former.st_mode)
    if (ours.st_uid, ours.st_gid) != (former.st_uid, former.st_gid):
        try:
            os.fchown(handle, former.st_uid, former.st_gid)
        except OSError:  # no permission, or a file system without owners
            if owner_required:
                owner = f"another user (number {former.st_uid})"
                text = f"it belongs to {owner}; run this as that user, or with sudo"
                raise PermissionError(errno.EPERM, text) from None
            mode &= 0o777  # the set-user-ID bit of another user must not become one of ours
    os.fchmod(handle, mode)  # last, because changing the owner clears permission bits


def temporary_beside(path: Path) -> Path:
    """A unique temporary name in the same folder, short for any length of `path`.

    It has its own ending, so that a search for recordings or marks does not find an incomplete file.
    """
    return path.with_name(f".{os.urandom(8).hex()}.partial")


def give_to_owner_of(model: Path, path: Path) -> None:
    """Give a file that root made to the owner of `model`."""
    if os.geteuid() != 0:
        return
    found = model.stat()
    if (found.st_uid, found.st_gid) != (0, 0):
        with suppress(OSError):  # a file system without owners
            os.chown(path, found.st_uid, found.st_gid, follow_symlinks=False)


SYSTEM_DISK = SystemDisk()
