"""Text from outside: made fit to be kept and compared, and written so that nothing in it acts on a terminal.

A recording and a file name may hold any characters: control characters and escape sequences, line breaks,
characters that turn the direction of writing, and code points that no UTF-8 can hold (lone surrogates; Python
also uses them for the bytes of a file name that are no UTF-8).
"""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

REPLACEMENT = "\ufffd"

_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""They change the order in which the text around them is shown (UAX #9), figures included."""

_UNFIT = frozenset({"Cc", "Cs", "Zl", "Zp"})
"""Categories of Unicode: control characters, surrogates, separators of lines and paragraphs."""

_BYTES = range(0xDC80, 0xDD00)
"""The code points Python puts for bytes 0x80 to 0xFF of a name that are no UTF-8 (PEP 383)."""


def encodable(text: str) -> str:
    """The text with a replacement character for each code point that UTF-8 cannot hold."""
    if text.isascii():
        return text
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")


def one_line(text: str) -> str:
    """The text on one line, in the order it is written in: for titles, names and marks.

    A line break or tab becomes a blank, every other character that is no text a replacement character. A text
    without such characters stays as it is.
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
    r"""The text with every character that is not shown as itself written out, such as "\x1b" or "\u202e".

    Line breaks too. A byte of a file name that is no UTF-8 is written as the byte, such as "\xff".
    """
    return text if text.isprintable() else "".join(map(_escape, text))


def shown(text: str) -> str:
    """Lines of text as a terminal may have them: `escaped` one by one."""
    return text if text.isprintable() else "\n".join(map(escaped, text.split("\n")))


def _escape(character: str) -> str:
    if character.isprintable():
        return character
    code = ord(character)
    if code in _BYTES:
        return f"\\x{code - 0xDC00:02x}"
    return character.encode("unicode_escape").decode("ascii")


def name_text(path: str | os.PathLike[str]) -> str:
    """A path as text that any file and terminal can hold; different paths give different texts."""
    return escaped(os.fspath(path))


def title_of(path: Path) -> str:
    """A title from a file's name: without its format endings."""
    name = name_text(path.name)
    for suffix in (".gz", ".csv", ".igc", ".mcap"):
        if name.lower().endswith(suffix):
            name = name[: -len(suffix)]
    return name or name_text(path.name)
