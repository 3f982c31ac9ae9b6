"""The complaints of the program about a settings text and a glider text."""

from __future__ import annotations

import pytest

from vario.settings.errors import SettingsError
from vario.settings.load import parse_settings

GLIDER = """\
name = "Testglider"
reference_mass = "400 kg"
wing_area = "12 m2"
[polar]
a = 0.00225
b = -0.1
c = 1.74
[limits]
stall = "70 km/h"
manoeuvring = "180 km/h"
rough_air = "180 km/h"
never_exceed = "250 km/h"
"""


def complaint(settings: str, glider: str | None = None) -> list[str]:
    """The lines of the error for these texts."""
    with pytest.raises(SettingsError) as caught:
        parse_settings(settings, "my.toml", glider, "my_glider.toml")
    return str(caught.value).split("\n")


def placed(message: str) -> str:
    """A message about the settings text, behind the name of its file."""
    return f"my.toml{', ' if message.startswith('line') else ': '}{message}"
