"""What the recorder and the settings need of a disk: one seam, so that a disk that fails can stand in for it.

`SystemDisk` is the real one, `FaultyDisk` (hw_replay/fake_disk.py) one with faults to order.
"""

from __future__ import annotations

import ctypes
import os
import secrets
import shutil
from pathlib import Path
from typing import BinaryIO, Protocol

_AT_FDCWD, _EXCHANGE = -100, 2
"""Of renameat2(2)."""


class Disk(Protocol):
    """Files and folders. Every method raises OSError if the disk refuses."""

    def make_folder(self, path: Path) -> None:
        """Make a folder and those above it, if need be."""

    def free_bytes(self, folder: Path) -> int:
        """Room left."""

    def create(self, path: Path) -> BinaryIO:
        """An empty file to write; one that was there is emptied."""

    def sync(self, file: BinaryIO) -> None:
        """Force what has been handed over of a file onto the disk."""

    def sync_path(self, path: Path) -> None:
        """Force a file, or the names in a folder, onto the disk."""

    def rename(self, path: Path, to: Path) -> None:
        """Give a file another name, which another file loses."""

    def exchange(self, one: Path, other: Path) -> bool:
        """Exchange two names in one stroke; false if the system cannot."""

    def link(self, path: Path, to: Path) -> None:
        """Give a file one more name, which must be free."""

    def remove(self, path: Path) -> None:
        """Take a name away, if it is there."""


class SystemDisk:
    """The disk of the system."""

    def make_folder(self, path: Path) -> None:
        """As the protocol says."""
        path.mkdir(parents=True, exist_ok=True)

    def free_bytes(self, folder: Path) -> int:
        """As the protocol says."""
        return shutil.disk_usage(folder).free

    def create(self, path: Path) -> BinaryIO:
        """As the protocol says."""
        return path.open("wb")

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

    def exchange(self, one: Path, other: Path) -> bool:
        """As the protocol says."""
        call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
        return call is not None and not call(_AT_FDCWD, bytes(one), _AT_FDCWD, bytes(other), _EXCHANGE)

    def link(self, path: Path, to: Path) -> None:
        """As the protocol says."""
        os.link(path, to)

    def remove(self, path: Path) -> None:
        """As the protocol says."""
        path.unlink(missing_ok=True)


def temporary_beside(path: Path) -> Path:
    """A name in the same folder that no other program takes, short whatever the length of `path`'s.

    Its ending is its own: who looks for recordings or marks by their ending must not find half a one.
    """
    return path.with_name(f".{secrets.token_hex(8)}.partial")


SYSTEM_DISK = SystemDisk()
