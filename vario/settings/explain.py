"""What is wrong in a settings or glider file, in the words and units of the pilot who wrote it."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from pydantic import ValidationError

from vario.settings.errors import Broken, Problem, QuantityError, RulesBrokenError
from vario.settings.fields import Section
from vario.settings.glider import Glider
from vario.settings.keys import Key, Path, dotted, header, keys, sections
from vario.settings.quantity import Dimension, parse, split, unit_in_key
from vario.settings.schema import Settings
from vario.settings.toml_text import TomlFile, write_value

_FILES: dict[type[Section], str] = {Settings: "the settings file", Glider: "the glider file"}
_LONGEST_VALUE = 60


def explain(error: ValidationError, file: TomlFile, model: type[Section]) -> Iterator[Problem]:
    """One problem for each thing the schema `model` objected to in `file`."""
    for detail in error.errors(include_url=False, include_input=False):
        path = tuple(str(step) for step in detail["loc"])
        cause = detail.get("ctx", {}).get("error")
        if isinstance(cause, RulesBrokenError):
            yield from (explain_rule(broken, path, file, model) for broken in cause.broken)
        elif detail["type"] == "extra_forbidden":
            is_table = isinstance(file.value(path), dict)
            subject = header(path) if is_table else dotted(path)
            yield Problem(file.name, file.line(path), subject, _unknown(path, model, is_table))
        elif detail["type"] == "missing":
            yield _missing(path, file, model)
        else:
            text = _wrong_value(detail["type"], cause, file.value(path), path, model)
            yield Problem(file.name, file.line(path), _assignment(path, file), text)


def explain_rule(broken: Broken, section: Path, file: TomlFile, model: type[Section]) -> Problem:
    """The problem of settings that do not go together; defaults among them are marked."""
    paths = [(*section, *key.split(".")) for key in broken.keys]
    written = [path for path in paths if file.value(path) is not None]
    shown = []
    for path in paths:
        if path in written:
            shown.append(_assignment(path, file))
        elif keys(model)[path].presence == "default":
            shown.append(f"{dotted(path)} = {write_value(keys(model)[path].example)} (default)")
    subject = ", ".join(shown) or header(section)
    line = file.line(written[0] if written else section)
    return Problem(file.name, line, subject, broken.text)


def _assignment(path: Path, file: TomlFile) -> str:
    value = write_value(file.value(path))
    return f"{dotted(path)} = {value if len(value) <= _LONGEST_VALUE else value[: _LONGEST_VALUE - 1] + '…'}"


def _missing(path: Path, file: TomlFile, model: type[Section]) -> Problem:
    if path in sections(model):
        return Problem(file.name, None, header(path), "this section is missing")
    text = f"missing; expected {keys(model)[path].wanted}"
    return Problem(file.name, file.line(path), dotted(path), text)


def _wrong_value(kind: str, cause: object, value: Any, path: Path, model: type[Section]) -> str:
    if path in sections(model):
        return f"expected a section, {header(path)}"
    key = keys(model)[path]
    if isinstance(cause, QuantityError):
        return str(cause) if key.dimension is None else f"{cause.reason}; expected {key.wanted}"
    if kind in {"string_too_short", "string_too_long"}:
        return "expected a text of 1 to 60 characters"
    near = _nearest(value, key.choices) if isinstance(value, str) else None
    return _out_of_range(kind, value, key) or f"expected {key.wanted}" + (
        f'; did you mean "{near}"?' if near else ""
    )


def _out_of_range(kind: str, value: Any, key: Key) -> str | None:
    if key.low is None or key.high is None or value != value:  # noqa: PLR0124 (only NaN differs from itself)
        return None
    if kind == "less_than_equal":
        return f"above the highest allowed, {key.high}{_in_own_unit(key, key.high, value, math.floor)}"
    if kind == "greater_than_equal":
        return f"below the lowest allowed, {key.low}{_in_own_unit(key, key.low, value, math.ceil)}"
    return None


def _in_own_unit(key: Key, bound: str, value: Any, inwards: Callable[[float], int]) -> str:
    """The bound in the unit the user wrote, " (1102 lb)", rounded to the side that is allowed."""
    if key.dimension is None:
        return ""
    _, unit = split(value, key.dimension)
    if unit == bound.rsplit(maxsplit=1)[-1]:
        return ""
    return f" ({_rounded(parse(bound, key.dimension), key.dimension, unit, inwards)})"


def _rounded(value: float, dimension: Dimension, unit: str, inwards: Callable[[float], int]) -> str:
    # Nine digits first, lest 36 km/h become 35.99 by the last bit of a conversion.
    exact = float(f"{value / dimension.units[unit]:.9g}")
    if exact == 0.0:
        return f"0 {unit}"
    step = 10.0 ** (3 - math.floor(math.log10(abs(exact))))
    return f"{inwards(exact * step) / step:.4g} {unit}"


def _unknown(path: Path, model: type[Section], is_table: bool) -> str:
    """Where the key should have stood or how it should have been written, as far as one can guess."""
    section, name = path[:-1], path[-1][:_LONGEST_VALUE].lower().replace("-", "_").replace(" ", "_")
    what = "unknown section" if is_table else "unknown key"
    here = [known[-1] for known in _all_paths(model) if known[:-1] == section]
    for guess in filter(None, (name, unit_in_key(name))):
        placed = _placed(guess, path, model)
        if placed:
            return f"{what}; {placed}" + ("" if guess == name else _unit_hint(guess, model))
    near = _nearest(name, here) or _nearest(name, [known[-1] for known in _all_paths(model)])
    placed = _placed(near, path, model) if near else None
    if placed:
        return f"{what}; {placed}"
    return f"{what}; {f'{header(section)} has' if section else 'the file has'} {', '.join(here)}"


def _placed(name: str, path: Path, model: type[Section]) -> str | None:
    """What to say if `name`, the key written at `path` or what was meant by it, is a key anywhere."""
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
            return f"{'it' if name == path[-1] else name} belongs into {file}"
    return None


def _unit_hint(name: str, model: type[Section]) -> str:
    key = next((key for path, key in keys(model).items() if path[-1] == name and key.dimension), None)
    return f" (the unit goes into the value: {name} = {write_value(key.example)})" if key else ""


def _all_paths(model: type[Section]) -> list[Path]:
    return [path for path in (*sections(model), *keys(model)) if path]


def _in_places(paths: Iterable[Path]) -> str:
    places = [header(path[:-1]) for path in paths if path[:-1]]
    if not places:
        return "at the top of the file, before the first [section]"
    return "in " + " or ".join(places)


def _nearest(word: str, known: Iterable[str]) -> str | None:
    return next(iter(difflib.get_close_matches(word, list(known), n=1)), None)
