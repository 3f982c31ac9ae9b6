"""Settings of the spoken values."""

import re
from collections.abc import Iterator

from vario.settings.errors import Broken
from vario.settings.fields import Section, optional_text

SPOKEN = ("average", "maccready", "wind", "goal", "lost")
"""What can be said: average of the last turn, MacCready value, wind, arrival height above goal and reserve,
and what is missing."""

_NAMES = ", ".join(SPOKEN)


def spoken_names(text: str | None) -> tuple[str, ...]:
    """The names in a setting, in order."""
    return tuple((text or "").split())


class SpokenValues(Section):
    """Spoken values. The words are recordings that `vario words` makes once; without them nothing is said."""

    language: str | None = optional_text(
        "en", "Language, as in the name of its table of words: en, de or your own; absent: nothing is said"
    )
    folder: str | None = optional_text(
        "words", "Folder with the words, relative to this file; absent: the folder words beside this file"
    )
    each_turn: str | None = optional_text(
        "average", f"What is said once in each turn of circling: one or more of {_NAMES}; absent: nothing"
    )
    on_request: str | None = optional_text(
        "average", "What is said when a button or command names no value; absent: average"
    )

    def broken_rules(self) -> Iterator[Broken]:
        """Names must be known, and the language must be a name of two letters."""
        for key in ("each_turn", "on_request"):
            unknown = [name for name in spoken_names(getattr(self, key)) if name not in SPOKEN]
            if unknown:
                yield Broken((key,), f"{' and '.join(unknown)}: expected names of {_NAMES}")
        if self.language is not None and not re.fullmatch(r"[a-z]{2}", self.language):
            yield Broken(("language",), "expected two small letters, such as en or de (ISO 639-1)")
