"""All keys of a settings or glider file, read from its schema, for messages and documents."""

from __future__ import annotations

from functools import cache
from typing import Any, Literal, get_args, get_origin

from drivers.quick import dataclass
from vario.settings.fields import Section
from vario.settings.quantity import Dimension, dimension_of, key_of
from vario.settings.toml_text import Path


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a file.

    Attributes:
        path: sections and name in the file.
        fields: attribute names that lead to the value in the loaded model.
        doc: what the setting does.
        example: a valid value as written in the file; the default if there is one.
        presence: what happens if the key is absent: the default, None, or an error.
        dimension: physical dimension; None for plain numbers and texts.
        low: lowest permitted value as text with its unit; None for texts.
        high: highest permitted value as text with its unit; None for texts.
        choices: the permitted values, if they are listed.
    """

    path: Path
    fields: Path
    doc: str
    example: Any
    presence: Literal["default", "optional", "required"]
    dimension: Dimension | None
    low: str | None
    high: str | None
    choices: tuple[str, ...]

    @property
    def range(self) -> str | None:
        """The permitted values, such as "0 m/s to 10 m/s" or "dolphin or block"; None for free text."""
        if self.choices:
            return " or ".join(f'"{choice}"' for choice in self.choices)
        return None if self.low is None else f"{self.low} to {self.high}"

    @property
    def ends(self) -> tuple[Any, Any] | None:
        """The ends of the range as written in a file, texts with units or numbers; None without a range."""
        if self.low is None or self.high is None:
            return None
        if self.dimension:
            return self.low, self.high
        if isinstance(self.example, int):
            return int(self.low, 0), int(self.high, 0)
        return float(self.low), float(self.high)

    @property
    def wanted(self) -> str:
        """The expected form of the value, for a message."""
        if self.dimension:
            # Give no example if there is no default: a user could copy it as the speed of the glider.
            example = None if self.presence == "required" else self.example
            return f"{self.dimension.wanted(example)}, from {self.range}"
        if self.low is not None:
            kind = "whole" if isinstance(self.example, int) else "plain"
            return f"a {kind} number without quotes and unit, from {self.range}"
        if self.choices:
            return str(self.range)
        return "a text in quotes"


@cache
def sections(model: type[Section]) -> dict[Path, type[Section]]:
    """All tables of a file by path, the top level (the empty path) first."""
    found: dict[Path, type[Section]] = {(): model}
    for name, field in model.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, Section):
            found |= {(name, *path): inner for path, inner in sections(field.annotation).items()}
    return found


@cache
def keys(model: type[Section]) -> dict[Path, Key]:
    """All keys of a file by path, in the order of the schema."""
    found = {}
    for section_path, section in sections(model).items():
        for name, field in section.model_fields.items():
            path = (*section_path, key_of(name))
            if path in sections(model):
                continue
            extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
            presence: Literal["default", "optional", "required"] = "default"
            if field.is_required():
                presence = "required"
            elif field.default is None:
                presence = "optional"
            found[path] = Key(
                path=path,
                fields=(*section_path, name),
                doc=field.description or "",
                example=extra.get("example"),
                presence=presence,
                dimension=dimension_of(name),
                low=_text(extra.get("low")),
                high=_text(extra.get("high")),
                choices=_choices(field.annotation),
            )
    return found


def _choices(annotation: Any) -> tuple[str, ...]:
    """The values that a type lists, also those of an optional setting."""
    for one in (annotation, *get_args(annotation)):
        if get_origin(one) is Literal:
            return get_args(one)
    return ()


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None
