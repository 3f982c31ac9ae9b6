"""Settings, maps and recordings that ask for too much: levels, keys, changes."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from mcap.writer import Writer

from drivers.events import SettingsChange
from hw_replay.decoding import MOST_CHANGES
from hw_replay.recording import Recording
from tests.siege.camp import recording, refused, vario
from vario.app.change.changes import SettingsWatch
from vario.settings.errors import SettingsError
from vario.settings.load import parse_settings

DEEP = "[" + ".".join("a" * 900) + "]\nx = 1\n"
"""Each level takes several calls of Python; a parser of TOML reads such a key without any."""

READERS = (("replay",), ("report",), ("export", "--as", "csv"), ("run", "--silent", "--rehearse"))

ARRAYS = "[flight]\nbugs = " + "[" * 300 + "]" * 300 + "\n"


def with_changes(path: Path, *texts: str) -> Path:
    """A recording with a change of settings for each text."""
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        writer.add_metadata("recording", {"title": "A flight", "origin": "live"})
        schema = writer.register_schema("x", "jsonschema", b"{}")
        baro = writer.register_channel("/baro", "json", schema)
        change = writer.register_channel("/event/settings", "json", schema)
        for i in range(120):
            writer.add_message(baro, i * 100_000_000, b'{"static_pa":95000.0}', 0)
        for i, text in enumerate(texts):
            writer.add_message(change, 12_000_000_000 + i, json.dumps({"settings_toml": text}).encode(), 0)
        writer.finish()  # type: ignore[no-untyped-call] # so in the library
    return path


def deep(folder: Path) -> str:
    for number, text in enumerate((DEEP, ARRAYS)):
        config = folder / f"{number}.toml"
        config.write_text(text, encoding="utf-8")
        refused(vario("config", "check", config), "too deeply nested")
        refused(vario("set", "maccready", "1 m/s", "--config", config), str(config))
        carried = recording(folder / f"{number}.mcap", more={"settings": {"toml": text}})
        for command in (
            ("replay",),
            ("report",),
            ("export", "--as", "csv"),
            ("run", "--silent", "--rehearse"),
        ):
            said = refused(vario(*command, carried), "too deeply nested")
        table = folder / f"{number}.csv"
        table.write_text("a,b\n1,2\n", encoding="ascii")
        table.with_suffix(".csv.toml").write_text(text, encoding="utf-8")
        refused(vario("replay", table, "--out", folder / "out"), str(table))
    return said.replace(f"{folder}/", "")


def deep_change(folder: Path) -> str:
    path = with_changes(folder / "a.mcap", DEEP, ARRAYS, '[vario]\ndamping = "2 s"\n')
    ran = vario(
        "replay", path, "--out", folder / "out", "--set", "maccready=1 m/s", "--no-sound", "--no-picture"
    )
    assert ran.code == 0, ran.said
    summary = json.loads((folder / "out" / "summary.json").read_text(encoding="utf-8"))
    taken = [change["taken"] for change in summary["settings_changes"]]
    assert taken == [False, False, True], taken
    return "two changes refused, the third taken"


def many_keys() -> str:
    text = "".join(f"[s{number}]\n" for number in range(20_000))
    with pytest.raises(SettingsError) as found:
        parse_settings(text, "x.toml")
    problems = found.value.problems
    assert len(problems) == 101, len(problems)
    return str(problems[-1])


def many_changes(folder: Path) -> str:
    source = Recording(with_changes(folder / "a.mcap", *["\n"] * (MOST_CHANGES + 5)))
    kept = sum(type(sample) is SettingsChange for sample in source)
    assert kept == MOST_CHANGES, kept
    (told,) = source.warnings()
    return told


def other_file(folder: Path) -> str:
    """A glider file goes into the recording, so a change in flight may name no other file."""
    secret = folder / "secret.txt"
    secret.write_text("root:$6$salt\n", encoding="ascii")
    link = folder / "link.toml"
    link.symlink_to(secret)
    os.mkfifo(folder / "pipe.toml")
    config = folder / "vario.toml"
    for named in (secret, link, folder / "pipe.toml", Path("/etc/passwd"), Path("/dev/zero")):
        config.write_text("", encoding="utf-8")
        watch = SettingsWatch(config)
        config.write_text(f'glider = "{named}"\n', encoding="utf-8")
        changes = [change for _ in range(8) if (change := watch.poll(0.0)) is not None]
        assert [change.glider_toml for change in changes] == [None], named
    return "5 files, none of them read"


ATTACKS = (
    (
        "settings and maps with hundreds of levels, in files and in recordings",
        "one line from each command",
        deep,
    ),
    ("the same as changes in flight", "refused; the former settings stay", deep_change),
    ("20,000 unknown sections", "100 are explained, the rest counted", many_keys),
    ("10,005 changes of settings in a recording", "a bounded number is read, the rest counted", many_changes),
    (
        "settings changed in flight name a secret file as glider",
        "it does not get into the recording",
        other_file,
    ),
)
