"""Check the rules between settings, even if some settings are invalid by themselves.

A rule is reported only if it is broken for every valid value of the invalid setting. The ends of its
range and its example are tried.
"""

from __future__ import annotations

from collections.abc import Collection
from copy import deepcopy
from typing import Any

from pydantic import ValidationError

from vario.settings.errors import Broken
from vario.settings.fields import RULES_LATER, Section
from vario.settings.keys import Key, keys, sections
from vario.settings.toml_text import Path, put_value


def rules_broken(
    table: dict[str, Any], model: type[Section], wrong: Collection[Path], unknown: Collection[Path]
) -> list[tuple[Path, Broken]]:
    """The broken rules of a file, each with the path of its section.

    Args:
        table: content of the file.
        model: its schema.
        wrong: keys and sections whose values are invalid or missing.
        unknown: keys and sections that are not in the schema.
    """
    left_out = {path for path in wrong if path not in keys(model) or not _tries(keys(model)[path])}
    found: list[list[tuple[Path, Broken]]] = []
    for number in range(3 if wrong else 1):
        mended = _mended(table, model, wrong, unknown, number)
        try:
            whole = model.model_validate(mended, context=RULES_LATER)
        except ValidationError:
            return []
        found.append(_of_sections(whole, model, left_out))
    return [rule for rule in found[0] if all(rule in other for other in found)]


def _of_sections(
    whole: Section, model: type[Section], left_out: Collection[Path]
) -> list[tuple[Path, Broken]]:
    """The broken rules of each section. Rules with a key that has no valid values to try are left out."""
    found: list[tuple[Path, Broken]] = []
    for path in sections(model):
        if any(out[: len(path)] == path for out in left_out):
            continue
        section = whole
        for name in path:
            section = getattr(section, name)
        found += ((path, broken) for broken in section.broken_rules())
    return found


def _mended(
    table: dict[str, Any],
    model: type[Section],
    wrong: Collection[Path],
    unknown: Collection[Path],
    number: int,
) -> dict[str, Any]:
    """The table with a valid value for each invalid one: the lowest, the highest or the example."""
    mended = deepcopy(table)
    for path in unknown:
        put_value(mended, path, None)
    for path in sorted(wrong, key=len):
        if path in keys(model):
            key = keys(model)[path]
            tries = _tries(key)
            put_value(mended, path, tries[number] if tries else _example(key))
        else:
            inner = {p: _example(k) for p, k in keys(model).items() if p[: len(path)] == path}
            put_value(mended, path, {})
            for inside, value in inner.items():
                put_value(mended, inside, value)
    return mended


def _tries(key: Key) -> tuple[Any, ...]:
    """Three valid values of a key; none for free text."""
    if key.choices:
        return key.choices[0], key.choices[-1], key.choices[0]
    return (*key.ends, key.example) if key.ends else ()


def _example(key: Key) -> Any:
    return key.example if key.presence == "required" else None
