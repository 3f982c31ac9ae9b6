"""The settings for a recording: those of the user, otherwise those in the recording, otherwise the defaults.

Values given with `--set` are applied over them, and over each change of settings in the recording.
"""

from __future__ import annotations

import os
from argparse import ArgumentParser
from collections.abc import Iterable
from typing import TYPE_CHECKING

from drivers.events import SettingsChange
from drivers.samples import Sample
from hw_replay.source import RecordingInfo, Source
from vario.app.replay.altered import Altered

if TYPE_CHECKING:
    from vario.settings.load import LoadedSettings
    from vario.settings.overrides import Overrides


def add_set_option(parser: ArgumentParser) -> None:
    """Add `--set` to a command."""
    parser.add_argument(
        "--set",
        dest="overrides",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help=(
            'change one setting, such as tone.beep_rate_full="5 Hz" or maccready="2 kt"; all others stay the '
            "same; VALUE none removes the key; may be repeated"
        ),
    )


def settings_in_force(
    info: RecordingInfo,
    recording: str | os.PathLike[str],
    config: str | os.PathLike[str] | None = None,
    overrides: Overrides | None = None,
) -> LoadedSettings:
    """The settings for a recording.

    Args:
        info: the header of the recording.
        recording: its name, for messages.
        config: a settings file to use instead of the settings in the recording.
        overrides: applied over either.

    Raises:
        SettingsError: lists all faults in the settings.
    """
    from vario.settings.carried import flying_text
    from vario.settings.load import load_settings, parse_settings
    from vario.settings.overrides import NOTHING

    overrides = overrides or NOTHING
    if config is not None:
        return load_settings(config, overrides)
    return parse_settings(
        flying_text(info.config_toml or ""),
        f"settings in {recording}",
        info.glider_toml,
        f"glider in {recording}",
        overrides=overrides,
    )


def with_overrides(source: Source, overrides: Overrides, loaded: LoadedSettings) -> Source:
    """The recording, with the overrides also applied to the changes of settings in it.

    Args:
        source: the recording.
        overrides: to apply over each change of settings.
        loaded: the settings at its beginning, with the overrides.
    """
    from vario.settings.overrides import lay_over_text

    def changed(sample: Sample) -> Sample:
        if type(sample) is not SettingsChange:
            return sample
        glider = loaded.glider_toml if overrides.names_glider else sample.glider_toml
        return SettingsChange(sample.t_s, lay_over_text(sample.settings_toml, overrides), glider)

    return Altered(source, lambda samples: map(changed, samples)) if overrides else source


def overrides_of(words: Iterable[str], option: str = "--set") -> Overrides:
    """The overrides of a command line. Their faults are reported together with those of the settings."""
    from vario.settings.overrides import from_words

    return from_words(words, option)
