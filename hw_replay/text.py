"""Clean text from outside for storage, and escape it for output on a terminal.

Text in recordings and file names may contain any characters: control characters and escape sequences, line
breaks, characters that change the direction of writing, and code points that UTF-8 cannot encode (lone
surrogates; Python also uses them for the bytes of a file name that are not UTF-8).
"""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

REPLACEMENT = "\ufffd"

_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Characters that change the order in which the text around them is shown (UAX #9)."""

_UNFIT = frozenset({"Cc", "Cs", "Zl", "Zp"})
"""Categories of Unicode: control characters, surrogates, separators of lines and paragraphs."""

_BYTES = range(0xDC80, 0xDD00)
"""The code points that Python uses for bytes 0x80 to 0xFF of a name that are not UTF-8 (PEP 383)."""


def encodable(text: str) -> str:
    """The text with a replacement character for each code point that UTF-8 cannot encode."""
    if text.isascii():
        return text
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def one_line(text: str) -> str:
    """The text on one line and in logical order, for titles, names and marks.

    A line break or tab becomes a space. Every other control character becomes a replacement character. A text
    without such characters is unchanged.
    """
    if text.isprintable() and text.isascii():
        return text
    return "".join(map(_fit, encodable(text)))


def _fit(character: str) -> str:
    if character in "\t\n\v\f\r\x85\u2028\u2029":
        return " "
    if character in _TURNING or unicodedata.category(character) in _UNFIT:
        return REPLACEMENT
    return character


def escaped(text: str) -> str:
    r"""The text with an escape for every character that is not printable, such as "\x1b" or "\u202e".

    This includes line breaks. A byte of a file name that is not UTF-8 is written as a byte, such as "\xff".
    """
    return text if text.isprintable() else "".join(map(_escape, text))


def shown(text: str) -> str:
    """Lines of text for a terminal: each line is escaped with `escaped`."""
    return text if text.isprintable() else "\n".join(map(escaped, text.split("\n")))


def _escape(character: str) -> str:
    if character.isprintable():
        return character
    code = ord(character)
    if code in _BYTES:
        return f"\\x{code - 0xDC00:02x}"
    return character.encode("unicode_escape").decode("ascii")


def name_text(path: str | os.PathLike[str]) -> str:
    """A path as text that is safe for files and terminals; different paths give different texts."""
    return escaped(os.fspath(path))


def title_of(path: Path) -> str:
    """A title from the name of a file, without the endings of its format."""
    name = name_text(path.name)
    for suffix in (".gz", ".csv", ".igc", ".mcap"):
        if name.lower().endswith(suffix):
            name = name[: -len(suffix)]
    return name or name_text(path.name)
