"""Find the known word most similar to a written one. Capitals, hyphens and spaces do not matter."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

_LONGEST = 60
"""Number of characters compared. The time grows with the square of the length."""

SYNONYMS: Mapping[str, str] = MappingProxyType(
    {
        "mc": "maccready",
        "mac": "maccready",
        "water": "ballast",
        "waterballast": "ballast",
        "weight": "mass",
        "loudness": "volume",
        "insects": "bugs",
    }
)
"""Common terms of pilots, without capitals and hyphens, and the key each one stands for."""


def plain(word: str) -> str:
    """The letters and digits of a word, in lower case."""
    return "".join(c for c in word[:_LONGEST].lower() if c.isalnum())


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most similar to `word`; None if none is similar."""
    words = {plain(candidate): candidate for candidate in reversed(list(known))}
    meant = SYNONYMS.get(plain(word))
    if meant is not None and meant in words.values():
        return meant
    import difflib  # noqa: PLC0415  (only for messages: the start is shorter)

    close = difflib.get_close_matches(plain(word), words, n=1)
    return words[close[0]] if close else None
