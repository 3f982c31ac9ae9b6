"""What can go wrong with settings, as one small tree."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple


class QuantityError(ValueError):
    """A text that is no quantity of the dimension wanted.

    Args:
        reason: what is wrong with it, as half a sentence.
        wanted: what was expected instead.
    """

    def __init__(self, reason: str, wanted: str) -> None:
        super().__init__(f"{reason}; expected {wanted}")
        self.reason = reason


class Broken(NamedTuple):
    """Settings that are right each, but not together.

    Attributes:
        keys: dotted keys of the settings concerned, relative to their section.
        text: what is wrong and what was expected.
    """

    keys: tuple[str, ...]
    text: str


class RulesBrokenError(ValueError):
    """A section whose settings do not go together.

    Args:
        broken: every rule that is broken.
    """

    def __init__(self, broken: Iterable[Broken]) -> None:
        self.broken = tuple(broken)
        super().__init__("; ".join(f"{', '.join(keys)}: {text}" for keys, text in self.broken))


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a settings or glider file; its text is one line, whatever the file contains.

    Attributes:
        file: the file's name as the user knows it.
        line: 1-based line, where it is known.
        subject: the key with its value, or the offending line; empty if the whole file is meant.
        text: what is wrong and what was expected.
    """

    file: str
    line: int | None
    subject: str
    text: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        message = ": ".join(part for part in (place, self.subject, self.text) if part)
        return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in message)


class SettingsError(Exception):
    """Settings that cannot be used: every problem found, in the settings file and the glider file.

    The message has one line for each of `problems`.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(map(str, self.problems)))
