"""Load settings and glider from TOML files, or raise one exception that lists all faults."""

from __future__ import annotations

import os
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from drivers.quick import dataclass
from vario.settings.errors import Broken, Problem, SettingsError
from vario.settings.fields import RULES_LATER, Section
from vario.settings.glider import Glider
from vario.settings.overrides import GLIDER, NOTHING, Overrides, lay_over, override_glider
from vario.settings.quantity import MASS, show
from vario.settings.read import from_disk, no_glider, toml_of_text
from vario.settings.schema import FlightSettings, Settings
from vario.settings.toml_text import TomlFile

_MOST_PROBLEMS = 100
"""Limit for the problems reported of one file. A file with more is probably for another program."""

_Model = TypeVar("_Model", bound=Section)


@dataclass(frozen=True, slots=True)
class LoadedSettings:
    """Valid settings, with the text they were read from; recordings contain this text.

    Attributes:
        settings: all settings, including defaults.
        glider: the glider that the settings name; None if they name none.
        settings_toml: text of the settings file, with the overrides applied.
        glider_toml: text of the glider file.
        settings_name: name of the settings file, for messages.
        glider_name: name of the glider file, for messages.
        folder: folder of the settings file; None if the settings come from a text.
    """

    settings: Settings
    glider: Glider | None
    settings_toml: str
    glider_toml: str | None
    settings_name: str
    glider_name: str | None
    folder: Path | None = None

    def path(self, named: str) -> Path:
        """Resolve a path in the settings. It is relative to the settings file."""
        return (self.folder or Path()) / named

    def with_overrides(self, overrides: Overrides) -> LoadedSettings:
        """These settings with overrides applied.

        Raises:
            SettingsError: lists all faults.
        """
        return parse_settings(
            self.settings_toml,
            self.settings_name,
            self.glider_toml,
            self.glider_name or "the glider file",
            overrides=overrides,
            folder=self.folder,
        )


def load_settings(path: str | os.PathLike[str], overrides: Overrides = NOTHING) -> LoadedSettings:
    """Load a settings file and the glider file it names (its path is relative to the settings file).

    Args:
        path: the settings file.
        overrides: applied over it; a glider file named there is relative to the working directory.

    Raises:
        SettingsError: lists all faults in both files and in the overrides.
    """
    path = Path(path)
    return _with_glider_file(from_disk(path, absent(path)), path.parent, overrides)


def load_text(text: str, path: Path) -> LoadedSettings:
    """Load settings from a text that is to be written to the file `path`, with the glider file they name.

    Raises:
        SettingsError: lists all faults in both.
    """
    return _with_glider_file(toml_of_text(str(path), text), path.parent, NOTHING)


def may_be_glider(path: Path) -> bool:
    """Whether a path named in settings may be read as a glider file.

    A message about a wrong line quotes that line. The author of the settings may be another user than the
    one who runs the program (for example root); the message must not show files that only this user can
    read. A pipe is refused too, because opening it blocks until something writes to it.
    """
    try:
        resolved = path.resolve()
        return resolved.is_file() and resolved.suffix == ".toml"
    except (OSError, RuntimeError):  # RuntimeError: a loop of links, up to Python 3.12
        return False


def absent(path: Path) -> str:
    """The message if there is no settings file."""
    from shlex import quote  # noqa: PLC0415  (only this message needs it)

    return f"there is no such file; to create one with all defaults: vario config show > {quote(str(path))}"


def load_glider(path: str | os.PathLike[str]) -> Glider:
    """Load a glider file.

    Raises:
        SettingsError: lists all faults in it.
    """
    file = from_disk(Path(path))
    problems = list(file.problems)
    glider = _valid(Glider, file, problems)
    if glider is None or problems:
        raise SettingsError(sorted(problems, key=lambda p: p.line or len(file.text) + 1))
    return glider


def check_overrides(overrides: Overrides) -> None:
    """Check overrides alone, without the settings they will be applied to.

    Raises:
        SettingsError: lists all faults in them. Rules between settings are not checked.
    """
    file = lay_over(TomlFile("", "", {}), overrides)
    problems = list(overrides.problems)
    try:
        glider = override_glider(overrides)
        if glider is not None:
            problems += glider.problems
            _valid(Glider, glider, problems)
    except SettingsError as error:
        problems += error.problems
    try:
        Settings.model_validate(file.table, context=RULES_LATER)
    except ValidationError as error:
        problems += _explained(error, file, Settings, rules=False)
    if problems:
        raise SettingsError(problems)


def parse_settings(
    text: str,
    name: str,
    glider_text: str | None = None,
    glider_name: str = "the glider file",
    *,
    overrides: Overrides = NOTHING,
    folder: Path | None = None,
) -> LoadedSettings:
    """Load settings from a TOML text, such as the one in a recording.

    Args:
        text: the settings.
        name: name of the text in messages.
        glider_text: the glider file; required if the settings name a glider.
        glider_name: name of `glider_text` in messages.
        overrides: applied over the settings; a glider file named there is read instead of
            `glider_text`.
        folder: folder for relative paths in the settings; None: the working directory.

    Raises:
        SettingsError: lists all faults in both texts and in the overrides.
    """
    file = lay_over(toml_of_text(name, text), overrides)
    problems: list[Problem] = []
    glider = None
    try:
        if overrides.names_glider:
            glider = override_glider(overrides)
        elif glider_text is not None:
            glider = toml_of_text(glider_name, glider_text)
        elif isinstance(file.table.get("glider"), str) and GLIDER not in file.unread:
            problems.append(
                file.problem(GLIDER, file.assignment(GLIDER), "the glider file itself is missing")
            )
    except SettingsError as error:
        problems += error.problems
    return _checked(file, glider, [*problems, *overrides.problems], folder)


def _with_glider_file(file: TomlFile, folder: Path, overrides: Overrides) -> LoadedSettings:
    file = lay_over(file, overrides)
    problems = list(overrides.problems)
    named = file.table.get("glider")
    glider = None
    try:
        if overrides.names_glider:
            glider = override_glider(overrides)
        elif isinstance(named, str) and GLIDER not in file.unread:
            path = folder / named
            if not named or not (path.is_file() or path.is_dir()):
                problems.append(no_glider(file, GLIDER, path))
            elif path.is_file() and not may_be_glider(path):
                text = f"{path}: expected a file whose name, also where a link leads, ends in .toml"
                problems.append(file.problem(GLIDER, file.assignment(GLIDER), text))
            else:
                glider = from_disk(path)
    except SettingsError as error:
        problems += error.problems
    return _checked(file, glider, problems, folder)


def _checked(
    file: TomlFile, glider_file: TomlFile | None, problems: list[Problem], folder: Path | None
) -> LoadedSettings:
    problems += file.problems
    settings = _valid(Settings, file, problems)
    glider = None
    if glider_file:
        problems += glider_file.problems
        glider = _valid(Glider, glider_file, problems)
        problems += _mass_problems(file, glider) if glider else ()
    if settings is None or problems:
        # Sort by line; problems without a line come last.
        raise SettingsError(
            sorted(problems, key=lambda p: (p.file != file.name, p.line or len(file.text) + 1))
        )
    return LoadedSettings(
        settings=settings,
        glider=glider,
        settings_toml=file.text if file.full_text is None else file.full_text,
        glider_toml=glider_file.text if glider_file else None,
        settings_name=file.name,
        glider_name=glider_file.name if glider_file else None,
        folder=folder,
    )


def _valid(model: type[_Model], file: TomlFile, problems: list[Problem]) -> _Model | None:
    try:
        return model.model_validate(file.table)
    except ValidationError as error:
        found = list(islice(_explained(error, file, model), _MOST_PROBLEMS))
        problems += found
        # The others are counted and not explained: explaining thousands takes many seconds.
        more = error.error_count() - len(found)
        if more > 0 and len(found) == _MOST_PROBLEMS:
            problems.append(
                Problem(file.name, None, "", f"and {more} more; is this a file for this program?")
            )
        return None


def _explained(
    error: ValidationError, file: TomlFile, model: type[Section], *, rules: bool = True
) -> Iterator[Problem]:
    from vario.settings.explain import explain  # noqa: PLC0415  (only for messages: the start is shorter)

    return explain(error, file, model, rules=rules)


def _mass_problems(file: TomlFile, glider: Glider) -> Iterator[Problem]:
    """The fault in the flying mass for this glider, if any; nothing if one of the masses is invalid."""
    table: Any = file.table.get("flight", {})
    if not isinstance(table, dict):
        return
    try:
        flight = FlightSettings.model_validate(
            {key: table[key] for key in ("mass", "ballast") if key in table}
        )
    except ValidationError:
        return
    reference = glider.reference_mass_kg
    mass = (reference if flight.mass_kg is None else flight.mass_kg) + flight.ballast_kg
    low, high = 0.5 * reference, 2.0 * reference
    if not low <= mass <= high:
        text = (
            f"together {show(mass, MASS)}; expected {show(low, MASS)} to {show(high, MASS)}, "
            f"half to twice the reference mass of {glider.name}"
        )
        from vario.settings.explain import explain_rule  # noqa: PLC0415  (likewise)

        yield explain_rule(Broken(("mass", "ballast"), text), ("flight",), file, Settings)
