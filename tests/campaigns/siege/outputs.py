"""Results whose path is an input, a device or a directory."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from hw_replay.simulate.demo import BUNDLED
from tests.campaigns.siege.camp import done, recording, refused, vario

GLIDER = Path(__file__).parents[3] / "config" / "gliders" / "quendel_2.toml"


def over_inputs(folder: Path) -> str:
    path = recording(folder / "a.mcap")
    glider, config = folder / "glider.toml", folder / "vario.toml"
    glider.write_bytes(GLIDER.read_bytes())
    config.write_text('glider = "glider.toml"\n', encoding="utf-8")
    link, twin, renamed = folder / "link.html", folder / "twin.html", folder / "settings.txt"
    link.symlink_to(config)
    os.link(glider, twin)
    renamed.write_bytes(config.read_bytes())
    before = {file: file.read_bytes() for file in folder.iterdir()}
    count = 0
    for command in (("report",), ("export", "--as", "csv"), ("export", "--as", "nmea"), ("import",)):
        outs = [config, glider, link, twin] + ([] if command == ("import",) else [path])
        for out in outs:
            refused(vario(*command, path, "--config", config, "--out", out), str(out))
            count += 1
        refused(vario(*command, path, "--config", renamed, "--out", renamed), str(renamed))
    refused(vario("import", path, "--out", path), str(path))
    refused(vario("simulate", config, "--out", config), "")
    for out in (folder / "new.toml", folder / "new.mcap"):
        refused(vario("report", path, "--out", out), str(out))
        assert not out.exists(), "it was made"
    assert before == {file: file.read_bytes() for file in folder.iterdir()}, "a file has changed"
    return f"{count + 8} times refused; no file has changed"


def one_file(folder: Path) -> str:
    """Two results, or a result and an input, that are one file by links."""
    path, config, sound = recording(folder / "a.mcap"), folder / "vario.toml", folder / "t.flac"
    config.write_text("", encoding="utf-8")
    done(vario("tone", "1", "--out", sound))
    out = folder / "out"
    out.mkdir()
    (out / "report.png").symlink_to("trace.csv")
    (folder / "page.html").symlink_to(config)
    tables = folder / "tables"
    tables.mkdir()
    (tables / "flights.csv").symlink_to(path)
    before = {file: file.read_bytes() for file in (path, config, sound)}
    count = 0
    for command in (
        ("replay", path, "--out", out),
        ("report", path, "--out", folder / "page.html"),
        ("tone", "--picture", sound, "--out", sound),
        ("tone", "1", "--config", sound, "--out", sound),
        ("import", path, "--map", sound, "--out", sound),
    ):
        refused(vario(*command))
        count += 1
    (out / "compare.png").symlink_to(path)
    refused(vario("compare", path, path, "--out", out), "compare.png")
    (folder / "flights").mkdir()
    (folder / "flights" / "a.mcap").symlink_to(path)
    refused(vario("batch", folder / "flights", "--out", tables), "flights.csv")
    assert before == {file: file.read_bytes() for file in before}, "a file has changed"
    assert not (out / "trace.csv").exists(), "a result was written"
    return f"{count + 2} times refused; no file has changed"


def devices(folder: Path) -> str:
    path = recording(folder / "a.mcap")
    for command in (("report",), ("export", "--as", "csv"), ("import",)):
        done(vario(*command, path, "--out", "/dev/null"))
        assert stat.S_ISCHR(os.stat("/dev/null").st_mode), "/dev/null is a file now"
        refused(vario(*command, path, "--out", "/dev/full"), "/dev/full", "No space left on device")
        refused(vario(*command, path, "--out", folder), str(folder), "directory")
    refused(vario("report", path, "--out", path / "below"), "cannot be written")
    return "/dev/null stays a device; /dev/full, a directory, a file as folder: one line of error"


def kept(folder: Path) -> str:
    path, page = recording(folder / "a.mcap"), folder / "page.html"
    page.write_text("former", encoding="ascii")
    page.chmod(0o640)
    link = folder / "link.html"
    link.symlink_to(page)
    done(vario("report", path, "--out", link))
    assert link.is_symlink(), "the link is a file now"
    assert page.read_bytes().startswith(b"<!doctype"), "the file has not been replaced"
    assert stat.S_IMODE(page.stat().st_mode) == 0o640, oct(page.stat().st_mode)
    assert not [name for name in os.listdir(folder) if name.startswith(".")], "something is left over"
    return "a link stays a link, with the same permissions; no other file is left"


def bundled() -> str:
    before = BUNDLED.read_bytes()
    refused(vario("report", BUNDLED, "--out", BUNDLED), str(BUNDLED))
    refused(vario("export", BUNDLED, "--as", "igc", "--out", BUNDLED), str(BUNDLED))
    assert BUNDLED.read_bytes() == before, "it has changed"
    return "it is refused"


ATTACKS = (
    (
        "`--out` over the recording, settings or glider file, also by a link, or over another such file",
        "it is refused, and no file changes",
        over_inputs,
    ),
    (
        "links make two results the same file, or a result and an input",
        "it is refused, and no file changes",
        one_file,
    ),
    ("`--out` is a device or a directory", "a device stays a device; one line of error", devices),
    ("`--out` is a link to an existing file", "the whole file is replaced, and the link stays", kept),
    ("`--out` over the bundled flight", "it is refused", bundled),
)
