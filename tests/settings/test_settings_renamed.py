"""Keys with old names: recordings are read under the new names, and messages about files give the new
names.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from drivers.events import SettingsChange
from drivers.samples import Baro, Sample
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.replay.results import replay
from vario.app.replay.session import opened
from vario.settings.carried import flying_text
from vario.settings.errors import SettingsError
from vario.settings.keys import keys
from vario.settings.load import load_settings
from vario.settings.overrides import from_words
from vario.settings.renamed import RENAMED, text_with_new_names, with_new_names
from vario.settings.schema import Settings
from vario.settings.toml_text import Path as Key
from vario.settings.toml_text import dotted, header, value_at, write_value


def example(new: Key) -> str:
    return write_value(keys(Settings)[new].example)


def assignment(path: Key, value: str) -> str:
    return f"{header(path[:-1])}\n{path[-1]} = {value}\n"


def test_every_new_name_is_a_key_and_no_old_one_is() -> None:
    assert RENAMED.keys().isdisjoint(keys(Settings))
    assert set(RENAMED.values()) <= set(keys(Settings))


@pytest.mark.parametrize(("old", "new"), RENAMED.items(), ids=map(dotted, RENAMED))
def test_an_old_key_of_a_recording_gets_its_new_name(old: Key, new: Key) -> None:
    text = assignment(old, example(new))
    assert tomllib.loads(text_with_new_names(text)) == tomllib.loads(assignment(new, example(new)))
    if new[0] not in ("recorder", "audio"):  # these are not taken from a recording
        assert value_at(tomllib.loads(flying_text(text)), new) == keys(Settings)[new].example


@pytest.mark.parametrize(("old", "new"), RENAMED.items(), ids=map(dotted, RENAMED))
def test_a_settings_file_is_told_the_new_name(tmp_path: Path, old: Key, new: Key) -> None:
    path = tmp_path / "my.toml"
    path.write_text(assignment(old, example(new)), encoding="utf-8")
    told = f"{dotted(old)}: this key has a new name: {dotted(new)}"
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    assert str(caught.value) == f"{path}, line 2: {told}"
    path.write_text("", encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_settings(path, from_words([f"{dotted(old)}={example(new)}"]))
    assert str(caught.value) == f"--set: {told}"
    assert dotted(new) in str(from_words([f"{old[-1]}={example(new)}"]).problems[0])


def test_the_new_name_wins_and_the_rest_stays() -> None:
    old, new = next(iter(RENAMED.items()))
    both = tomllib.loads(f'{assignment(old, "1")}{new[-1]} = 2\n[vario]\ndamping = "2 s"\n')
    assert with_new_names(both) == tomllib.loads(f'{assignment(new, "2")}[vario]\ndamping = "2 s"\n')
    assert value_at(both, old) == 1
    untouched = '# mine\n[vario]\ndamping = "2 s"\n'
    assert text_with_new_names(untouched) == untouched
    assert text_with_new_names("no TOML = ") == "no TOML = "
    assert text_with_new_names('sensors = "odd"\n') == 'sensors = "odd"\n'


def test_a_recording_made_before_still_plays(tmp_path: Path) -> None:
    """The settings at its beginning and a change in flight have the old names."""
    old, new = ("sensors", "baro", "sits"), ("sensors", "baro", "location")
    assert RENAMED[old] == new
    path = tmp_path / "old.mcap"
    before, after = assignment(old, '"outside"'), assignment(old, '"inside"')
    samples: list[Sample] = [Baro(0.02 * k, 95_000.0) for k in range(100)]
    samples.insert(50, SettingsChange(1.0, after, None))
    with RecordingWriter(path, RecordingInfo("x", "live", config_toml=before)) as writer:
        for sample in samples:
            writer.write(sample)
    source, loaded = opened(path, None)
    assert loaded.settings.sensors.baro.location == "outside"
    found = replay(Recording(path), loaded.settings, None, tmp_path / "out")
    assert [change["taken"] for change in found["settings_changes"]] == [True]
    assert source.rejected() == 0
