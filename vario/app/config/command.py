"""`vario config`: check or show a settings file."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vario.settings.fields import Section

from hw_replay.text import shown


def add_parser(commands: Any) -> None:
    """Add the command to the command line."""
    config = commands.add_parser("config", help="check or show a settings file")
    actions = config.add_subparsers(title="actions", required=True, metavar="ACTION")
    check = actions.add_parser("check", help="report everything that is wrong in a settings file")
    check.add_argument("file", type=Path, help="a settings file, a glider file or a scenario")
    check.set_defaults(command=_check)
    show = actions.add_parser("show", help="show all settings in force")
    show.add_argument("file", type=Path, nargs="?", help="settings file; default: no file, all defaults")
    show.set_defaults(command=_show)


def _check(arguments: argparse.Namespace) -> int:
    from vario.app.simulate.file import load_scenario
    from vario.app.simulate.schema import ScenarioFile
    from vario.app.simulate.tables import TABLES
    from vario.settings.glider import Glider
    from vario.settings.keys import keys, sections
    from vario.settings.load import load_glider, load_settings
    from vario.settings.read import top_keys
    from vario.settings.schema import Settings

    def at_top(model: type[Section]) -> set[str]:
        return {path[0] for path in (*keys(model), *sections(model)) if path}

    written = top_keys(arguments.file)
    kinds: dict[str, tuple[set[str], Callable[[Path], object]]] = {
        "settings": (at_top(Settings), load_settings),
        "a glider file": (at_top(Glider), load_glider),
        "a scenario": (at_top(ScenarioFile) | set(TABLES), load_scenario),
    }
    kind = max(kinds, key=lambda name: len(kinds[name][0] & written))
    kinds[kind][1](arguments.file)
    print(shown(f"{arguments.file}: {kind}; no problem found"))
    return 0


def _show(arguments: argparse.Namespace) -> int:
    from vario.settings.document import show_settings
    from vario.settings.load import load_settings, parse_settings

    loaded = load_settings(arguments.file) if arguments.file else parse_settings("", "defaults")
    print(shown(show_settings(loaded)), end="")
    return 0
