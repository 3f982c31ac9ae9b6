"""The known word that is most like one somebody wrote, whatever its capitals, hyphens and spaces."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from types import MappingProxyType

_LONGEST = 60
"""Characters compared: the time taken grows with the square of the length."""

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
"""What pilots say, without capitals and hyphens, and the key that stands for it here."""


def plain(word: str) -> str:
    """The letters and digits of a word, small."""
    return "".join(c for c in word[:_LONGEST].lower() if c.isalnum())


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The one of the known words that is most like `word`; None if none is."""
    words = {plain(candidate): candidate for candidate in reversed(list(known))}
    meant = SYNONYMS.get(plain(word))
    if meant is not None and meant in words.values():
        return meant
    close = difflib.get_close_matches(plain(word), words, n=1)
    return words[close[0]] if close else None
