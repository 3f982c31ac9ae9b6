"""What a check says."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """How it is."""

    PASS = "pass"  # noqa: S105  (no password)
    LOOK = "look"
    """It may be right; somebody should make sure."""
    FAIL = "FAIL"


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the table.

    Attributes:
        subject: what was looked at.
        verdict: how it is.
        found: what was found.
        next_step: what to do; empty if nothing.
    """

    subject: str
    verdict: Verdict
    found: str
    next_step: str = ""


def passed(subject: str, found: str) -> Finding:
    """All is well."""
    return Finding(subject, Verdict.PASS, found)


def look(subject: str, found: str, next_step: str) -> Finding:
    """May be right."""
    return Finding(subject, Verdict.LOOK, found, next_step)


def failed(subject: str, found: str, next_step: str) -> Finding:
    """Wrong."""
    return Finding(subject, Verdict.FAIL, found, next_step)
