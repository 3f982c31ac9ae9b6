"""The result of a check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """The verdict on one subject."""

    PASS = "pass"  # noqa: S105  (no password)
    WARN = "warn"
    """It may be correct; the user should verify it."""
    FAIL = "FAIL"


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the table.

    Attributes:
        subject: what was checked.
        verdict: the verdict.
        found: what was found.
        next_step: what to do next; empty if nothing.
    """

    subject: str
    verdict: Verdict
    found: str
    next_step: str = ""


def passed(subject: str, found: str) -> Finding:
    """A finding that passes."""
    return Finding(subject, Verdict.PASS, found)


def warned(subject: str, found: str, next_step: str) -> Finding:
    """A finding that the user should verify."""
    return Finding(subject, Verdict.WARN, found, next_step)


def failed(subject: str, found: str, next_step: str) -> Finding:
    """A finding that fails."""
    return Finding(subject, Verdict.FAIL, found, next_step)


def exit_code(findings: Sequence[Finding]) -> int:
    """The exit code for scripts: 0 if nothing failed, else 1."""
    return int(any(finding.verdict is Verdict.FAIL for finding in findings))


def first_step(findings: Sequence[Finding]) -> str:
    """The number of failures and warnings, and the most urgent step: of the first failure, else warning."""
    failures = [finding for finding in findings if finding.verdict is Verdict.FAIL]
    warnings = [finding for finding in findings if finding.verdict is Verdict.WARN]
    counted = f"{len(failures)} of {len(findings)} fail, {len(warnings)} to verify."
    if not failures and not warnings:
        return f"{counted} Next: start the instrument."
    first = (failures or warnings)[0]
    return f"{counted} Next: {first.subject}: {first.next_step}. Then run the check again."
