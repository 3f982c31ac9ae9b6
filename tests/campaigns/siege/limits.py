"""Settings, maps and recordings with too many levels, keys or changes."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from mcap.writer import Writer

from drivers.events import SettingsChange
from drivers.samples import Baro
from hw_replay.decoding import MOST_CHANGES
from hw_replay.ordering import MOST_WAITING, in_order
from hw_replay.recording import Recording
from tests.campaigns.siege.camp import recording, refused, vario
from tests.support.ulog_bytes import HEADER, message
from vario.app.change.changes import SettingsWatch
from vario.settings.errors import SettingsError
from vario.settings.load import parse_settings

DEEP = "[" + ".".join("a" * 900) + "]\nx = 1\n"
"""Each level needs several nested calls in Python, but the parser of TOML reads such a key without
nesting.
"""

READERS = (("replay",), ("report",), ("export", "--as", "csv"), ("run", "--silent", "--emulate"))

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
        for command in READERS:
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
    return "two changes refused, the third applied"


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


def nested_formats(folder: Path) -> str:
    """Three nested formats of 65,535 elements each: 3e14 values in a file of 200 bytes."""
    log = folder / "a.ulg"
    formats = (
        "sensor_baro:a[65535] x;",
        "a:b[65535] x;",
        "b:float[65535] x;",
        "sensor_combined:sensor_combined x;",
    )
    for chosen in (formats[:3], formats[3:]):
        head = HEADER + bytes(8) + message("B", bytes(40))
        parts = [message("F", text.encode()) for text in chosen]
        name = chosen[0].partition(":")[0]
        log.write_bytes(head + b"".join(parts) + message("A", bytes(3) + name.encode()))
        said = refused(vario("replay", log, "--out", folder / "out"), str(log))
        if "pyulog" in said:
            return "not tried: no pyulog"
        assert "damaged and cannot be read" in said, said
    return said.rpartition(": ")[2]


def renamed_topics(folder: Path) -> str:
    """One channel that gets 5000 names, with a message under each."""
    path = folder / "a.mcap"
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        writer.add_metadata("recording", {"title": "A flight", "origin": "live"})
        schema = writer.register_schema("x", "jsonschema", b"{}")
        for i in range(5000):
            writer.add_message(writer.register_channel(f"/topic{i}", "json", schema), i, b"{}", i)
        writer.finish()  # type: ignore[no-untyped-call] # so in the library
    (told,) = [line for line in play(path) if "unknown topics" in line]
    assert len(told) < 500, len(told)
    return told


def play(path: Path) -> list[str]:
    """Read a recording to its end; returns its warnings."""
    source = Recording(path)
    for _ in source:
        pass
    return source.warnings()


def standing_time() -> str:
    """A log whose time does not advance, so that no sample becomes old enough to be yielded."""
    taken = 0

    def samples() -> Iterator[Baro]:
        nonlocal taken
        while True:
            taken += 1
            yield Baro(1.0, 95_000.0)

    next(in_order(samples(), 0.5))
    assert taken == MOST_WAITING + 1, taken
    return f"{MOST_WAITING} samples wait at most"


ATTACKS = (
    (
        "settings and maps with hundreds of levels, in files and in recordings",
        "one line of error from each command",
        deep,
    ),
    (
        "the same settings as changes in flight",
        "they are refused, and the former settings stay in force",
        deep_change,
    ),
    ("20,000 unknown sections", "100 are explained, the others are counted", many_keys),
    (
        "10,005 changes of settings in a recording",
        "a limited number is read, the others are counted",
        many_changes,
    ),
    ("a PX4 ULog file with formats nested to 3e14 values", "one line of error", nested_formats),
    ("5000 topics", "the first ones are counted by name, the others together", renamed_topics),
    ("a log whose time stands still", "memory use is limited", standing_time),
    (
        "settings changed in flight name a secret file as glider",
        "the file does not get into the recording",
        other_file,
    ),
)
