"""What the application can fail at, beside the errors of the packages below it."""

from __future__ import annotations

from pathlib import Path


class AppError(Exception):
    """The command cannot be carried out; the message is one line for the user."""


class OutputError(AppError):
    """A result file cannot be written.

    Attributes:
        path: of the file.
        error: what the system said.
    """

    def __init__(self, path: Path, error: OSError) -> None:
        super().__init__(f"{path}: cannot be written: {error.strerror or error}")
        self.path = path
        self.error = error
