"""Change one value in the text of a settings file; all other text, including comments, is kept."""

from __future__ import annotations

import re
from copy import deepcopy
from typing import Any

from hw_replay.bounded_toml import parse_toml
from vario.settings.toml_text import Path, dotted, header, lines_of, put_value, write_key, write_value


class NotEditableError(ValueError):
    """The text has a form that this module cannot change safely. The message gives the reason."""


def set_value(text: str, path: Path, value: Any) -> str:
    """The settings text with the key at `path` (section, name) set to `value`. None removes the key.

    Raises:
        NotEditableError: if the text is not valid TOML, or if changing one line does not give the
            result.
    """
    try:
        before = parse_toml(text)
    except ValueError as error:
        raise NotEditableError(f"not valid TOML: {error}") from None
    newline = "\r\n" if "\r\n" in text else "\n"
    lines = text.split(newline)
    number = lines_of(text.replace("\r\n", "\n")).get(path)
    if number is not None:
        _replace(lines, number - 1, value)
    elif value is not None:
        _insert(lines, path, f"{write_key(path[-1])} = {write_value(value)}")
    changed = newline.join(lines)
    # Check the result: read as TOML, the new text must differ from the old one in this value only.
    if _parsed(changed) != with_value(before, path, value):
        raise NotEditableError(f"{dotted(path)} is written in a form that this program cannot change")
    return changed


def _parsed(text: str) -> Any:
    try:
        return parse_toml(text)
    except ValueError:
        return None


def with_value(table: dict[str, Any], path: Path, value: Any) -> dict[str, Any]:
    """The table with the key at `path` set to `value`. None removes the key."""
    changed = deepcopy(table)
    put_value(changed, path, value)
    return changed


def _replace(lines: list[str], index: int, value: Any) -> None:
    if value is None:
        del lines[index]
        return
    line = lines[index]
    # Keep the text before the equals sign, including dots and quotes.
    lines[index] = f"{line.partition('=')[0].rstrip()} = {write_value(value)}{_comment_of(line)}"


def _comment_of(line: str) -> str:
    """The comment at the end of a line that contains a key, with the white space before it."""
    for match in re.finditer(r"\s*#", line):
        if _parsed(line[: match.start()]):
            return line[match.start() :]
    return ""


def _insert(lines: list[str], path: Path, assignment: str) -> None:
    if not path[:-1]:
        lines.insert(0, assignment)
        return
    section = header(path[:-1])
    starts = [i for i, line in enumerate(lines) if line.partition("#")[0].strip() == section]
    if not starts:
        while lines and not lines[-1].strip():
            lines.pop()
        lines += ["", section, assignment, ""]
        return
    start = starts[0] + 1
    ends = [i for i in range(start, len(lines)) if lines[i].lstrip().startswith("[")]
    end = ends[0] if ends else len(lines)
    # Insert after the same key in a comment, if there is one, otherwise directly after the header.
    shown = re.compile(rf"\s*#\s*{re.escape(write_key(path[-1]))}\s*=")
    places = [i + 1 for i in range(start, end) if shown.match(lines[i])]
    lines.insert(places[0] if places else start, assignment)
