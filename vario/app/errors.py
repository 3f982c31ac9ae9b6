"""The errors of the application, in addition to those of the other packages."""

from __future__ import annotations

from pathlib import Path


class AppError(Exception):
    """The command cannot be carried out. The message is one line for the user."""


class OutputError(AppError):
    """A result file cannot be written.

    Attributes:
        path: the file.
        error: the error of the system.
    """

    def __init__(self, path: Path, error: OSError) -> None:
        super().__init__(f"{path}: cannot be written: {error.strerror or error}")
        self.path = path
        self.error = error
