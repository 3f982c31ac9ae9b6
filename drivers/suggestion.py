"""The part of an error message that suggests what was meant."""

from __future__ import annotations

from collections.abc import Iterable


def suggestion(word: str, known: Iterable[str]) -> str:
    """The known word most like a wrong one; if none is like it, all known words."""
    import difflib  # noqa: PLC0415  (only for messages: the start is shorter)

    known = list(known)
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"did you mean {near[0]!r}?" if near else f"expected one of {', '.join(known)}"
