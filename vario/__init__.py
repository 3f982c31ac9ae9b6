"""The instrument (flight logic, sound, settings), and the application around it.

For notebooks and scripts: `from vario import replay`. `vario.api` describes the names. They are loaded when
they are first used, so that the import of a part of the package loads only that part.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from hw_replay.open import open_source
    from vario.api import DEMO, Flight, compare, replay
    from vario.settings.load import load_settings

__all__ = ["DEMO", "Flight", "compare", "load_settings", "open_source", "replay"]

_HOMES = {"open_source": "hw_replay.open", "load_settings": "vario.settings.load"}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'vario' has no attribute {name!r}; it offers {', '.join(__all__)}")
    return getattr(import_module(_HOMES.get(name, "vario.api")), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
