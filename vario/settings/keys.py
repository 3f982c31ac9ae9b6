"""Every key of a settings or glider file, read off its schema: what messages and documents speak of."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, get_args, get_origin

from vario.settings.fields import Section
from vario.settings.quantity import Dimension, dimension_of, key_of
from vario.settings.toml_text import Path, write_key


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a file.

    Attributes:
        path: where it stands in the file.
        fields: the names that lead to its value in the loaded model.
        doc: what it does.
        example: a valid value as it stands in the file; the default where there is one.
        presence: whether leaving it out gives the default, gives None, or is an error.
        dimension: None for plain numbers and texts.
        low: lowest value allowed, as text with its unit; None for texts.
        high: highest value allowed, likewise.
        choices: the values allowed, where they are listed.
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
        """The values allowed, "0 m/s to 10 m/s" or "dolphin or block"; None if any text will do."""
        if self.choices:
            return " or ".join(f'"{choice}"' for choice in self.choices)
        return None if self.low is None else f"{self.low} to {self.high}"

    @property
    def ends(self) -> tuple[Any, Any] | None:
        """The ends of the range as a file has them: texts with a unit or numbers; None if there is none."""
        if self.low is None or self.high is None:
            return None
        if self.dimension:
            return self.low, self.high
        if isinstance(self.example, int):
            return int(self.low, 0), int(self.high, 0)
        return float(self.low), float(self.high)

    @property
    def wanted(self) -> str:
        """What to write, for a message."""
        if self.dimension:
            # No example where there is no default: somebody might take it for the speed of their glider.
            example = None if self.presence == "required" else self.example
            return f"{self.dimension.wanted(example)}, from {self.range}"
        if self.low is not None:
            kind = "whole" if isinstance(self.example, int) else "plain"
            return f"a {kind} number without quotes and unit, from {self.range}"
        if self.choices:
            return str(self.range)
        return "a text in quotes"


def dotted(path: Path) -> str:
    """The key as one writes it: "flight.maccready"."""
    return ".".join(map(write_key, path))


def header(path: Path) -> str:
    """The header of a section as one writes it: "[sensors.baro]"."""
    return f"[{dotted(path)}]"


@cache
def sections(model: type[Section]) -> dict[Path, type[Section]]:
    """Every table of a file by its path, the top level (the empty path) first."""
    found: dict[Path, type[Section]] = {(): model}
    for name, field in model.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, Section):
            found |= {(name, *path): inner for path, inner in sections(field.annotation).items()}
    return found


@cache
def keys(model: type[Section]) -> dict[Path, Key]:
    """Every key of a file by its path, in the order of the schema."""
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
            is_choice = get_origin(field.annotation) is Literal
            found[path] = Key(
                path=path,
                fields=(*section_path, name),
                doc=field.description or "",
                example=extra.get("example"),
                presence=presence,
                dimension=dimension_of(name),
                low=_text(extra.get("low")),
                high=_text(extra.get("high")),
                choices=get_args(field.annotation) if is_choice else (),
            )
    return found


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None
