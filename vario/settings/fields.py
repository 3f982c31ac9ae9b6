"""The building blocks of a schema: sections, and the kinds of settings with their bounds.

The modules that define sections do not import `annotations` of `__future__`: at each start pydantic would
compile the text of every annotation. The default of a section is an object, shared because it is frozen.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, ValidationInfo
from pydantic_core import CoreSchema, core_schema

from vario.settings.errors import Broken, RulesBrokenError
from vario.settings.quantity import DIMENSIONS, key_of, parse

# No plugin of another package may change how settings are read. To look for plugins, pydantic reads the
# metadata of all installed packages at each start.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

RULES_LATER = {"rules": "later"}
"""Passed as the validation context, this switches off the rules between settings. `rules` checks them
instead.
"""


def section() -> Any:
    """A table with all its defaults if it is absent.

    They come from the schema of the whole file. An object as default would need a schema of its own.
    """
    return Field(default={}, validate_default=True)


class _Within:
    """Gives pydantic the schema of a quantity: the text is parsed, and the bounds are inclusive.

    A validator for all fields and two bounds of pydantic do the same, but assembling them for each quantity
    takes a fiftieth of the start.
    """

    def __init__(self, low: str, high: str, *, optional: bool) -> None:
        unit = low.rsplit(maxsplit=1)[-1]
        self._dimension = next(dimension for dimension in DIMENSIONS if unit in dimension.units)
        # Rounding in a unit conversion must not put a value that equals a bound outside it.
        slack = 1e-12
        low_si, high_si = parse(low, self._dimension), parse(high, self._dimension)
        self._low_si, self._high_si = low_si - slack * abs(low_si), high_si + slack * abs(high_si)
        self._optional = optional

    def __get_pydantic_core_schema__(self, *_: object) -> CoreSchema:
        schema: CoreSchema = core_schema.float_schema(ge=self._low_si, le=self._high_si)
        if self._optional:
            schema = core_schema.nullable_schema(schema)
        return core_schema.no_info_before_validator_function(self._parse, schema)

    def _parse(self, value: object) -> object:
        return value if value is None else parse(value, self._dimension)


def _quantity(default: object, *, low: str, high: str, doc: str, example: str) -> Any:
    field = Field(
        default=default,
        description=doc,
        validate_default=True,
        # `keys` reads this for messages and for the commented settings file.
        json_schema_extra={"low": low, "high": high, "example": example},
    )
    field.metadata.append(_Within(low, high, optional=default is None))
    return field


def quantity(default: str, low: str, high: str, doc: str) -> Any:
    """A quantity with a default. Its bounds are inclusive."""
    return _quantity(default, low=low, high=high, doc=doc, example=default)


def optional(example: str, low: str, high: str, doc: str) -> Any:
    """An optional quantity; None if it is absent."""
    return _quantity(None, low=low, high=high, doc=doc, example=example)


def required(example: str, low: str, high: str, doc: str) -> Any:
    """A required quantity without a default."""
    return _quantity(..., low=low, high=high, doc=doc, example=example)


def number(default: float, low: float, high: float, doc: str) -> Any:
    """A number without a unit, whole if the type of the field is `int`. Its bounds are inclusive."""
    return _number(default, low, high, doc, default)


def optional_number(example: float, low: float, high: float, doc: str) -> Any:
    """An optional number without a unit; None if it is absent."""
    return _number(None, low, high, doc, example)


def _number(default: float | None, low: float, high: float, doc: str, example: float) -> Any:
    low_text, high_text = (str(end) if isinstance(end, int) else f"{end:g}" for end in (low, high))
    extra: dict[str, Any] = {"low": low_text, "high": high_text, "example": example}
    return Field(default=default, ge=low, le=high, description=doc, json_schema_extra=extra)


class Hex(int):
    """A number that messages write in hexadecimal, as datasheets write addresses."""

    def __str__(self) -> str:
        return f"0x{self:02X}"


LONGEST_TEXT = 60


def short_text(example: str, doc: str, default: Any = ...) -> Any:
    """A text of 1 to `LONGEST_TEXT` characters, by default required."""
    extra: dict[str, Any] = {"example": example}
    return Field(
        default=default, min_length=1, max_length=LONGEST_TEXT, description=doc, json_schema_extra=extra
    )


def optional_text(example: str, doc: str) -> Any:
    """An optional text, or one of the values that its type lists; None if it is absent."""
    return Field(default=None, description=doc, json_schema_extra={"example": example})


def choice(default: str, doc: str) -> Any:
    """A setting with one of the values that its type lists."""
    return Field(default=default, description=doc, json_schema_extra={"example": default})


def _keep_rules(section: Section, info: ValidationInfo) -> Section:
    if info.context is RULES_LATER:
        return section
    broken = tuple(section.broken_rules())
    if broken:
        raise RulesBrokenError(broken)
    return section


class Section(BaseModel):
    """A table of settings."""

    # Deferred: the schemas of a glider file, and of classes that only others extend, are rarely needed.
    model_config = ConfigDict(
        frozen=True, extra="forbid", alias_generator=key_of, strict=True, defer_build=True
    )

    def broken_rules(self) -> Iterator[Broken]:
        """The broken rules between valid settings of this section. Subclasses define the rules."""
        return iter(())

    def not_rising(self, *fields: str, why: str) -> Iterator[Broken]:
        """One item for each pair of neighbours in `fields` whose values do not increase."""
        for lower, higher in pairwise(fields):
            if getattr(self, lower) >= getattr(self, higher):
                yield Broken((key_of(lower), key_of(higher)), why)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """The schema of a section with its rules. pydantic searches for a validator, which takes longer."""
        return core_schema.with_info_after_validator_function(_keep_rules, handler(source))
