"""Open a file only if it is a regular one, and say why a file cannot be read."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO

_KINDS = {
    stat.S_IFDIR: "a directory",
    stat.S_IFIFO: "a pipe, which can be read only once",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}

_LOOK_UP = getattr(os, "O_PATH", os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY)
"""Look a file up without opening it (open(2)); systems without O_PATH open it, without waiting."""


class IrregularFileError(OSError):
    """A path leads to something else than a regular file.

    Attributes:
        kind: what it leads to, such as "a directory".
    """

    def __init__(self, kind: str, path: Path) -> None:
        super().__init__(errno.EINVAL, f"this is {kind}; expected a file", str(path))
        self.kind = kind


def open_regular(path: Path) -> BinaryIO:
    """Open a file for reading without waiting.

    Pipes and devices are rejected without opening them: opening a pipe waits for its writer, and opening a
    device may have effects. What is opened is what was checked, even if the name is given to another file
    meanwhile.

    Raises:
        IrregularFileError: if it is not a regular file.
        OSError: if it cannot be opened.
        ValueError: if the name contains a NUL.
    """
    found = os.open(path, _LOOK_UP | os.O_CLOEXEC)
    try:
        kind = _KINDS.get(stat.S_IFMT(os.fstat(found).st_mode))
        if kind is not None:
            raise IrregularFileError(kind, path)
        if not hasattr(os, "O_PATH"):
            return os.fdopen(os.dup(found), "rb")
        try:
            # This path leads to the file itself, whatever its name (proc(5)).
            return os.fdopen(os.open(f"/proc/self/fd/{found}", os.O_RDONLY | os.O_CLOEXEC), "rb")
        except OSError as error:
            raise OSError(error.errno, error.strerror, str(path)) from None
    finally:
        os.close(found)


def why_unreadable(error: OSError | ValueError, expected: str) -> str:
    """The reason for an error of `open_regular`. `expected`: the kind of file, such as "a TOML file"."""
    if isinstance(error, IrregularFileError):
        return f"this is {error.kind}; expected {expected}"
    if isinstance(error, FileNotFoundError):
        return "there is no such file"
    if isinstance(error, PermissionError):
        return "no permission to read this file"
    return f"cannot be read: {error.strerror if isinstance(error, OSError) else error}"
