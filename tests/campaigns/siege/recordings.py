"""Hostile recordings: their settings, texts and samples."""

from __future__ import annotations

import json
import socket
from pathlib import Path

from drivers.samples import Baro
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.campaigns.siege.camp import as_mark, done, recording, refused, vario
from tests.support.csv_tables import csv_rows

ESCAPES = "t\x1b]0;owned\x07\x1b[31mred\x9b2J\u202egpj.exe\u2066\n[b]"
"""Sets a title, changes colours and the direction of writing, clears the screen, begins another line."""

LOCAL_TEXT = "root:x:0:0:not for everybody:/root"


def _everything(path: Path, folder: Path) -> str:
    """Run each command that reads a recording on this one; returns the observation."""
    for kind in ("csv", "igc", "nmea"):
        out = folder / f"x.{kind}"
        ran = vario("export", path, "--as", kind, "--out", out)
        if kind == "igc" and ran.code == 2:
            refused(ran, "a FAI/IGC file needs UTC")
        else:
            done(ran)
    done(vario("report", path, "--out", folder / "report.html"))
    done(vario("replay", path, "--out", folder / "replay"))
    done(vario("import", path, "--out", folder / "copy.mcap"))
    before, after = list(Recording(path)), list(Recording(folder / "copy.mcap"))
    assert before == after, "an import is not what was imported"
    return "report, replay, import and exports read it"


def _batch(flights: Path, folder: Path) -> list[dict[str, str]]:
    """The rows of the table of flights."""
    done(vario("batch", flights, "--out", folder / "batch", "--jobs", "1"))
    return csv_rows(folder / "batch" / "flights.csv", "utf-8")


def carried_outlets(folder: Path) -> str:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    flights = folder / "flights"
    toml = (
        f'[nmea]\nto = "tcp:127.0.0.1:{port}"\nrate = "4 Hz"\n[recorder]\nfolder = "{flights}"\n'
        '[audio]\ndevice = "USB"\n[page]\naddress = "0.0.0.0:80"\n[vario]\ndamping = "2 s"\n'
    )
    path = recording(folder / "a.mcap", more={"settings": {"toml": toml}}, seconds=30)
    ran = vario("run", "--emulate", path, "--silent", "--for", "1", "--marks", folder / "marks")
    assert ran.code == 0, ran.said
    assert not flights.exists(), "it made the folder named in the recording"
    with socket.socket() as visitor:
        assert visitor.connect_ex(("127.0.0.1", port)), "it listens at the port named in the recording"
    return f"the flight continued; no port, no folder; {_everything(path, folder)}"


def carried_paths(folder: Path) -> str:
    secret = folder / "secret"
    secret.write_text(LOCAL_TEXT, encoding="ascii")
    path = recording(folder / "a.mcap", more={"settings": {"toml": f'glider = "{secret}"\n'}})
    ran = vario("replay", path, "--out", folder / "out")
    assert LOCAL_TEXT not in ran.out + ran.err, "the file was read"
    said = refused(ran, "the glider file itself is missing")
    assert str(folder) not in said.split('glider = "')[1], "the path is taken"
    return said.rpartition("/")[2]


def surrogates(folder: Path) -> str:
    path = recording(folder / "a.mcap", marks=[b'{"text":"a\\ud800b"}', b'{"text":"\\udcff"}'])
    seen = _everything(path, folder)
    summary = json.loads((folder / "replay" / "summary.json").read_text(encoding="utf-8"))
    assert [mark["text"] for mark in summary["marks"]] == ["a\ufffdb", "\ufffd"], summary["marks"]
    return f"{seen}, with U+FFFD in their place"


def bad_bytes(folder: Path) -> str:
    path = recording(folder / "a.mcap", marks=[b'{"text":"a\xffb"}', as_mark("whole")])
    seen = _everything(path, folder)
    said = done(vario("replay", path, "--out", folder / "replay"))
    assert "1 message rejected: the message is not JSON" in said, said
    return f"{seen}; 1 message rejected"


def surrogate_dropped(folder: Path) -> str:
    # No instrument runs, so the exit code is 1; the mark is kept.
    ran = vario("mark", "lift \udcff here", "--marks", folder / "marks")
    assert ran.code == 1, f"exit code {ran.code}: {ran.said}"
    path = folder / "a.mcap"
    with RecordingWriter(path, RecordingInfo("A flight", "live")) as writer:
        for i in range(20):
            writer.write(Baro(i * 0.1, 95_000.0))
    done(vario("mark", "lift \udcff here", "--into", path, "--at", "1"))
    _everything(path, folder)
    (text,) = [path.read_text(encoding="utf-8") for path in (folder / "marks").iterdir()]
    assert text == "lift \ufffd here\n", text
    return "both marks are readable, with U+FFFD in its place"


def escapes(folder: Path) -> str:
    inner = folder / "in"
    inner.mkdir()
    about = {"title": ESCAPES, "origin": ESCAPES, "start_utc": ESCAPES}
    more = {
        f"sensor/{ESCAPES}": {"name": ESCAPES},
        "calibration": {ESCAPES: ESCAPES},
        "settings": {"toml": '[vario]\ndamping = "2 s"\n'},
    }
    path = recording(
        inner / "a.mcap", about, more=more, marks=[as_mark(ESCAPES)], topics=("/baro", f"/{ESCAPES}")
    )
    seen = _everything(path, folder)
    html = (folder / "report.html").read_text(encoding="utf-8")
    for text in ("\x1b", "\u202e", "\\u001b"):
        assert text not in html, "it is in the page"
    (row,) = _batch(inner, folder)
    assert not {"\n", "\x1b"} & set(row["title"]), row
    return f"nothing of them reaches terminal, page or table; {seen}"


def wrong_settings(folder: Path) -> str:
    toml = f'[vario]\ndamping = "{json.dumps(ESCAPES)[1:-1]}"\n'
    path = recording(folder / "a.mcap", more={"settings": {"toml": toml}})
    ran = vario("replay", path, "--out", folder / "out")
    assert ran.code == 2, ran.code
    return "refused in one line, with the sequences written out"


def formulas(folder: Path) -> str:
    inner, texts = folder / "in", ("=HYPERLINK(1)", "+1+1", "-2+3", "@SUM(1)")
    inner.mkdir()
    for text in texts:
        recording(inner / f"{text[0]}x.mcap", {"title": text, "origin": text})
    rows = _batch(inner, folder)
    for row in rows:
        for name in ("file", "title", "origin"):
            assert row[name][0] == "'", row[name]
        assert float(row["lowest_m"]) > 0.0, "a number is no number any more"
    assert len(rows) == len(texts)
    return f"{', '.join(row['title'] for row in rows)}; numbers unchanged"


def years(folder: Path) -> str:
    for year in ("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59+00:00", "1899-12-30", "10000-01-01"):
        path = recording(folder / "a.mcap", {"start_utc": year})
        done(vario("export", path, "--as", "nmea", "--out", folder / "y.nmea"))
        said = refused(vario("export", path, "--as", "igc", "--out", folder / "y.igc"), "1980 to 2079")
    late = recording(folder / "a.mcap", more={"clock": {"start_utc": "9999-12-31T23:59:59+00:00"}})
    _everything(late, folder)
    return said


def markup(folder: Path) -> str:
    text = "</script><img src=x onerror=alert(1)><!--"
    path = recording(folder / "a.mcap", {"title": text, "origin": text}, marks=[as_mark(text)])
    _everything(path, folder)
    html = (folder / "report.html").read_text(encoding="utf-8")
    assert "<img" not in html, "markup of the recording is in the page"
    return "the page contains it as text, without any <"


def formulae(folder: Path) -> str:
    path = recording(
        folder / "a.mcap", {"title": r"$\frac{$ 5 $"}, marks=[as_mark(r"$\x{$"), as_mark("a_b^c")]
    )
    return _everything(path, folder)


def records(folder: Path) -> str:
    about = {
        "title": "x\r\nB1200005000000N01000000EA0050000500\r\nGABCD",
        "start_utc": "2025-06-01T12:00:00+00:00",
    }
    path = recording(folder / "a.mcap", about)
    done(vario("export", path, "--as", "igc", "--out", folder / "x.igc"))
    lines = (folder / "x.igc").read_bytes().split(b"\r\n")
    assert not [line for line in lines if line.startswith(b"G")], "a record of the title's own"
    assert sum(line.startswith(b"B") for line in lines) == 12, "a fix of the title's own"
    assert all(line.isascii() for line in lines), "no ASCII"
    return "in one L record; 12 fixes, and no more"


def impossible_figures(folder: Path) -> str:
    more = {
        f"sensor/{name}": {"rate_hz": figure, "noise": figure, "latency_s": figure}
        for name, figure in (("baro", "nan"), ("pitot", "inf"), ("oat", "-1e999"), ("x", "1e308"))
    }
    path = recording(folder / "a.mcap", more={**more, "calibration": {"pitot_zero_pa": "nan"}})
    seen = _everything(path, folder)
    text = (folder / "replay" / "summary.json").read_text(encoding="utf-8")
    for figure in ("NaN", "Infinity"):
        assert figure not in text, "it is in the summary"
    return f"{seen}; treated as not known"


def twice(folder: Path) -> str:
    path = recording(folder / "a.mcap", topics=("/baro", "/baro", "/baro/", "//baro"))
    return _everything(path, folder)


def attached(folder: Path) -> str:
    inner = folder / "inner"
    inner.mkdir()
    path = recording(inner / "a.mcap", attachment="../../evil.txt")
    seen = _everything(path, inner)
    assert not list(folder.rglob("*evil*")), "the attachment was unpacked"
    return f"{seen}; no file unpacked"


def many_marks(folder: Path) -> str:
    path = recording(folder / "a.mcap", marks=[as_mark("x")] * 20_000)
    done(vario("replay", path, "--out", folder / "replay"))
    summary = json.loads((folder / "replay" / "summary.json").read_text(encoding="utf-8"))
    kept = len(summary["marks"])
    assert kept <= 1000, f"{kept} marks kept"
    (told,) = [text for text in summary["warnings"] if "marks" in text]
    return told


def long_texts(folder: Path) -> str:
    path = recording(folder / "a.mcap", {"title": "x" * 3_000_000, "origin": "y " * 1_000_000})
    seen = _everything(path, folder)
    size = (folder / "replay" / "summary.json").stat().st_size
    assert size < 20_000, f"a summary of {size} bytes"
    return f"{seen}; shortened to 500 characters"


ATTACKS = (
    (
        "settings in a recording name a port, a folder, a sound device and an unknown section",
        "`run --emulate` opens none of them; every other command reads the recording",
        carried_outlets,
    ),
    ("settings in a recording name a local file as glider", "the file is not read", carried_paths),
    ("a mark with lone surrogates", "every command reads the recording", surrogates),
    ("a mark that is not UTF-8", "the message is left out, and a warning says so", bad_bytes),
    (
        "`vario mark` with a byte that is not UTF-8, into a folder and into a recording",
        "both marks can be read",
        surrogate_dropped,
    ),
    ("escape sequences and reversed writing in every text", "they have no effect anywhere", escapes),
    ("escape sequences in a wrong setting", "one line of error", wrong_settings),
    (
        "texts that begin with = + - @",
        "a table contains them as text, not as formulas; numbers are unchanged",
        formulas,
    ),
    ("a start in the year 1, 9999, 1899, 10000", "the exports report the fault", years),
    ("markup in title, origin and mark", "the page shows it as text", markup),
    (
        "mathematical notation of the plotting library in title and marks",
        "the picture shows it as text",
        formulae,
    ),
    ("line breaks and records of FAI/IGC in the title", "they do not become records of the file", records),
    ("values that are infinite or not a number as properties of sensors", "not known", impossible_figures),
    ("the same channel twice, and names close to it", "every command reads the recording", twice),
    ("an attachment with a path as its name", "no file is unpacked", attached),
    ("20,000 marks", "a limited number is kept, the others are counted", many_marks),
    ("a title of 3 MB", "it is shortened", long_texts),
)

LONG = (many_marks, long_texts)
