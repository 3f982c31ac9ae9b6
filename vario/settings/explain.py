"""Explain validation errors of a settings or glider file in the terms and units of its author."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from pydantic import ValidationError

from vario.settings.errors import Broken, Problem, QuantityError, RulesBrokenError
from vario.settings.fields import LONGEST_TEXT, Section
from vario.settings.glider import Glider
from vario.settings.keys import Key, keys, sections
from vario.settings.near import nearest
from vario.settings.quantity import Dimension, parse, split, unit_in_key
from vario.settings.renamed import RENAMED
from vario.settings.rules import rules_broken
from vario.settings.schema import Settings
from vario.settings.toml_text import Path, TomlFile, dotted, header, write_value

_FILES: dict[type[Section], str] = {Settings: "the settings file", Glider: "the glider file"}
_LONGEST_NAME = 60
_PERCENT = (5, 100)
"""A plain number in this range may be meant as a percentage. Smaller ones, such as 2, may also be typing
errors.
"""


def explain(
    error: ValidationError, file: TomlFile, model: type[Section], *, rules: bool = True
) -> Iterator[Problem]:
    """One problem for each error that the schema `model` reports, and for each broken rule."""
    wrong = set(file.unread)
    unknown = set()
    for detail in error.errors(include_url=False, include_input=False):
        path = tuple(str(step) for step in detail["loc"])
        cause = detail.get("ctx", {}).get("error")
        if isinstance(cause, RulesBrokenError):
            continue
        if detail["type"] == "extra_forbidden":
            unknown.add(path)
            if path not in file.unread:
                is_table = isinstance(file.value(path), dict)
                subject = header(path) if is_table else dotted(path)
                yield file.problem(path, subject, _unknown(path, file, model, is_table))
            continue
        wrong.add(path)
        if path in file.unread:
            continue
        if detail["type"] == "missing":
            yield _missing(path, file, model)
        else:
            text = _wrong_value(detail["type"], cause, file.value(path), path, model)
            yield file.problem(path, file.assignment(path), text)
    if not rules:
        return
    for section, broken in rules_broken(file.table, model, wrong - unknown, unknown):
        yield explain_rule(broken, section, file, model)


def explain_rule(broken: Broken, section: Path, file: TomlFile, model: type[Section]) -> Problem:
    """The problem for settings that do not fit together. Values that are defaults are marked as such."""
    paths = [(*section, *key.split(".")) for key in broken.keys]
    written = [path for path in paths if file.value(path) is not None]
    shown = []
    for path in paths:
        if path in written:
            shown.append(file.assignment(path))
        elif keys(model)[path].presence == "default":
            shown.append(f"{dotted(path)} = {write_value(keys(model)[path].example)} (default)")
    subject = ", ".join(shown) or header(section)
    # Values given on the command line are the newest, so the problem is reported there.
    written.sort(key=lambda path: not file.is_overridden(path))
    return file.problem(written[0] if written else section, subject, broken.text)


def _missing(path: Path, file: TomlFile, model: type[Section]) -> Problem:
    if path in sections(model):
        return Problem(file.name, None, header(path), "this section is missing")
    return file.problem(path, dotted(path), f"missing; expected {keys(model)[path].wanted}")


def _wrong_value(kind: str, cause: object, value: Any, path: Path, model: type[Section]) -> str:
    if path in sections(model):
        return f"expected a section, {header(path)}"
    key = keys(model)[path]
    if isinstance(cause, QuantityError):
        return str(cause) if key.dimension is None else f"{cause.reason}; expected {key.wanted}"
    if kind in {"string_too_short", "string_too_long"}:
        return f"expected a text of 1 to {LONGEST_TEXT} characters"
    near = nearest(value, key.choices) if isinstance(value, str) else None
    hint = f'; did you mean "{near}"?' if near else _hint(value, key)
    return (_out_of_range(kind, value, key) or f"expected {key.wanted}") + hint


def _out_of_range(kind: str, value: Any, key: Key) -> str | None:
    if key.low is None or key.high is None or value != value:  # noqa: PLR0124 (only NaN differs from itself)
        return None
    if kind == "less_than_equal":
        return f"above the highest allowed, {key.high}{_in_own_unit(key, key.high, value, math.floor)}"
    if kind == "greater_than_equal":
        return f"below the lowest allowed, {key.low}{_in_own_unit(key, key.low, value, math.ceil)}"
    return None


def _hint(value: Any, key: Key) -> str:
    """A suggestion for a value that is out of range or of the wrong type."""
    if key.ends is None:
        return ""
    if key.dimension:
        number, unit = split(value, key.dimension)
        low, high = (parse(end, key.dimension) for end in key.ends)
        opposite = f"{-number:g} {unit}"
        return f'; did you mean "{opposite}"?' if low <= parse(opposite, key.dimension) <= high else ""
    low, high = key.ends
    if isinstance(value, str):
        written = re.fullmatch(r"\s*([-+]?[0-9]{1,9}(?:\.[0-9]{0,9})?)\s*(%?)\s*", value)
        if written is None:
            return ""
        number = float(written[1])
        if not written[2]:
            return f"; did you mean {number:g}?" if low <= number <= high else ""
    else:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        number = float(value) if is_number and _PERCENT[0] <= abs(value) <= _PERCENT[1] else math.nan
    is_fraction = low >= -1.0 and high <= 1.0 and isinstance(high, float)
    if is_fraction and low <= number / 100.0 <= high:
        return f"; a fraction is expected: {number:g} % is written {number / 100.0:g}"
    return ""


def _in_own_unit(key: Key, bound: str, value: Any, inwards: Callable[[float], int]) -> str:
    """The bound in the user's unit, such as " (1102 lb)", rounded to the permitted side."""
    if key.dimension is None:
        return ""
    _, unit = split(value, key.dimension)
    if unit == bound.rsplit(maxsplit=1)[-1]:
        return ""
    return f" ({_rounded(parse(bound, key.dimension), key.dimension, unit, inwards)})"


def _rounded(value: float, dimension: Dimension, unit: str, inwards: Callable[[float], int]) -> str:
    # Round to nine digits first. Otherwise 36 km/h becomes 35.99 through the rounding of the conversion.
    exact = float(f"{value / dimension.units[unit]:.9g}")
    if exact == 0.0:
        return f"0 {unit}"
    step = 10.0 ** (3 - math.floor(math.log10(abs(exact))))
    return f"{inwards(exact * step) / step:.4g} {unit}"


def _unknown(path: Path, file: TomlFile, model: type[Section], is_table: bool) -> str:
    """A suggestion of where the key belongs, or how it is spelled."""
    if model is Settings and path in RENAMED:
        return f"this key has a new name: {dotted(RENAMED[path])}"
    section, name = path[:-1], path[-1][:_LONGEST_NAME].lower().replace("-", "_").replace(" ", "_")
    what = "unknown section" if is_table else "unknown key"
    here = [known[-1] for known in _all_paths(model) if known[:-1] == section]
    for guess in filter(None, (name, unit_in_key(name))):
        placed = _placed(guess, path, model)
        if placed:
            return f"{what}; {placed}" + ("" if guess == name else _unit_hint(guess, model))
    near = nearest(name, here) or nearest(name, [known[-1] for known in _all_paths(model)])
    placed = _placed(near, path, model) if near else None
    if placed:
        return f"{what}; {placed}{_water_hint(name, file.value(path))}"
    return f"{what}; {f'{header(section)} has' if section else 'the file has'} {', '.join(here)}"


def _water_hint(name: str, value: Any) -> str:
    if "water" not in name:
        return ""
    litres = re.match(r"\s*([0-9]+(?:\.[0-9]+)?)", str(value))
    mass = f'ballast = "{litres[1]} kg"' if litres else 'ballast = "80 kg"'
    return f" (1 litre of water weighs 1 kg: {mass})"


def _placed(name: str, path: Path, model: type[Section]) -> str | None:
    """A suggestion if `name`, the key at `path` or the known key most like it, is a key elsewhere."""
    places = [known for known in _all_paths(model) if known[-1] == name]
    if (*path[:-1], name) in places:
        places = [(*path[:-1], name)]
    elif not all(place in sections(model) for place in places):
        subject = "it" if name == path[-1] else name
        return f"{subject} belongs {_in_places(places)}"
    if places:
        names = (header(place) if place in sections(model) else name for place in places)
        return f"did you mean {' or '.join(names)}?"
    for other, file in _FILES.items():
        if any(known[-1] == name for known in _all_paths(other)):
            return f"{'it' if name == path[-1] else name} belongs in {file}"
    return None


def _unit_hint(name: str, model: type[Section]) -> str:
    key = next((key for path, key in keys(model).items() if path[-1] == name and key.dimension), None)
    return f" (write the unit in the value: {name} = {write_value(key.example)})" if key else ""


def _all_paths(model: type[Section]) -> list[Path]:
    return [path for path in (*sections(model), *keys(model)) if path]


def _in_places(paths: Iterable[Path]) -> str:
    places = [header(path[:-1]) for path in paths if path[:-1]]
    if not places:
        return "at the top of the file, before the first [section]"
    return "in " + " or ".join(places)
