"""The errors of the settings."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from drivers.quick import dataclass
from hw_replay.text import escaped


class QuantityError(ValueError):
    """A text that is not a quantity of the expected dimension.

    Args:
        reason: what is wrong, as a phrase without a full stop.
        wanted: what was expected.
    """

    def __init__(self, reason: str, wanted: str) -> None:
        super().__init__(f"{reason}; expected {wanted}")
        self.reason = reason


class Broken(NamedTuple):
    """Settings that are each valid, but do not fit together.

    Attributes:
        keys: dotted keys of these settings, relative to their section.
        text: what is wrong and what was expected.
    """

    keys: tuple[str, ...]
    text: str


class RulesBrokenError(ValueError):
    """A section whose settings do not fit together.

    Args:
        broken: all rules that are broken.
    """

    def __init__(self, broken: Iterable[Broken]) -> None:
        self.broken = tuple(broken)
        super().__init__("; ".join(f"{', '.join(keys)}: {text}" for keys, text in self.broken))


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in a settings or glider file. Its text is always one line.

    Attributes:
        file: the name of the file as the user knows it.
        line: line number from 1; None if it is not known.
        subject: the key with its value, or the wrong line; empty if the fault concerns the whole
            file.
        text: what is wrong and what was expected.
    """

    file: str
    line: int | None
    subject: str
    text: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        message = ": ".join(part for part in (place, self.subject, self.text) if part)
        return escaped(message)


class SettingsError(Exception):
    """The settings cannot be used. Lists all faults in the settings file and in the glider file.

    The message has one line for each item of `problems`.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))
