"""Several faults in settings and glider files are reported together; none hides another."""

# ruff: noqa: E501 (messages stand here as long as the user sees them)

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.settings_complaints import GLIDER, complaint
from vario.app.cli import main


def test_everything_wrong_in_both_files_comes_at_once_in_the_order_of_the_lines() -> None:
    settings = (
        '[tone]\nvolume = 2\n[flight]\nballast = "900 kg"\nbuggs = 0.1\nmass = "1 t"\n[vario]\nvolume = 1\n'
    )
    glider = GLIDER.replace("12 m2", "120 m2").replace("[polar]", "[pola]")
    assert complaint(settings, glider) == [
        "my.toml, line 2: tone.volume = 2: above the highest allowed, 1",
        'my.toml, line 4: flight.ballast = "900 kg": above the highest allowed, 500 kg',
        "my.toml, line 5: flight.buggs: unknown key; did you mean bugs?",
        'my.toml, line 6: flight.mass = "1 t": "t" is no unit of a mass; expected a mass in quotes with its unit '
        '(kg or lb), such as "450 kg", from 80 kg to 1200 kg',
        "my.toml, line 8: vario.volume: unknown key; it belongs in [tone]",
        'my_glider.toml, line 3: wing_area = "120 m2": above the highest allowed, 40 m2',
        "my_glider.toml, line 4: [pola]: unknown section; did you mean [polar]?",
        "my_glider.toml: [polar]: this section is missing",
    ]


def test_a_mass_out_of_reason_is_told_beside_what_is_wrong_elsewhere() -> None:
    problems = complaint('[flight]\nmass = "150 kg"\n[tone]\nvolume = 2', GLIDER)
    assert [line.split(":")[0] for line in problems] == ["my.toml, line 2", "my.toml, line 4"]


def test_a_glider_that_is_no_toml_does_not_hide_the_settings() -> None:
    problems = complaint("[tone]\nvolume = 2", "name = ")
    assert problems[0] == "my.toml, line 2: tone.volume = 2: above the highest allowed, 1"
    assert problems[1].startswith("my_glider.toml, line 1: name =: not valid TOML")


def test_no_line_is_claimed_where_a_text_of_several_lines_could_mislead() -> None:
    settings = 'glider = """\nvolume = 2\n"""\n[tone]\nvolume = 2'
    assert "my.toml: tone.volume = 2: above the highest allowed, 1" in complaint(settings)


def test_rows_of_an_array_are_no_sections() -> None:
    glider = GLIDER.replace(
        "a = 0.00225\nb = -0.1\nc = 1.74",
        'points = [\n["80 km/h", "0.7 m/s"],\n["110 km/h", "0.9 m/s"],\n["170 km/h", "2 m/s"]\n]\nd = 3',
    )
    assert complaint("", glider) == [
        "my_glider.toml, line 10: polar.d: unknown key; [polar] has points, a, b, c"
    ]


# Several things wrong, none of which may hide another. The lines are the beginnings of the messages.
ALL_AT_ONCE = {
    "chip and address": (
        '[sensors.baro]\nchip = "MS5661"\naddress = 0x99\nrate = "-1 Hz"\n',
        ['line 2: sensors.baro.chip = "MS5661": ', "line 3: sensors.baro.address = 0x99: ", "line 4: "],
    ),
    "chip, and an address that fits no chip of such a name": (
        '[sensors.baro]\nchip = "MS5661"\naddress = 0x28\n',
        [
            'line 2: sensors.baro.chip = "MS5661": ',
            'line 2: sensors.baro.chip = "MS5661", sensors.baro.address = 0x28: MS5611 can have 0x77 or 0x76',
        ],
    ),
    "a home": (
        'glider = "~/g.toml"\n[recorder]\nfolder = "~/flights"\n',
        ["line 1: glider", 'line 3: recorder.folder = "~/flights": expected a path without "~"'],
    ),
    "two sections, and a rule between them": (
        '[sensors.baro]\nchip = "MS5611"\naddress = 0x10\nlocation = "outside"\n[sensors.oat]\nchip = "TMP117"\nbus = 10\n',
        [
            'line 2: sensors.baro.chip = "MS5611", sensors.baro.address = 0x10: ',
            'line 4: sensors.baro.location = "outside", sensors.oat.chip = "TMP117": ',
            "line 7: sensors.oat.bus = 10: ",
        ],
    ),
    "half a goal in a wrong place": (
        "[goal]\nlatitude = 95\n",
        [
            "line 2: goal.latitude = 95: a goal needs longitude and elevation too",
            "line 2: goal.latitude = 95: above",
        ],
    ),
    "a curve that falls, and a volume": (
        '[tone]\nvolume = 3\nfrequency_sink = "400 Hz"\nfrequency_zero = "350 Hz"\nbeep_rate_full = "99 Hz"\n',
        ["line 2: tone.volume = 3: ", "line 3: tone.frequency_sink = ", "line 5: tone.beep_rate_full = "],
    ),
    "lines that are no TOML": (
        '[flight]\nmaccready = \u201c20 m/s\u201d\nballast = 80 kg\nballast = "70 kg"\nbugs = ?\nmode: cruise\n[tone]\nvolume = 30\n',
        [
            "line 2: maccready = \u201c20 m/s\u201d: not valid TOML",
            'line 2: flight.maccready = "20 m/s": above the highest allowed',
            "line 3: ballast = 80 kg: not valid TOML",
            'line 4: ballast = "70 kg": not valid TOML, column 18: this key has a value already',
            "line 5: bugs = ?: not valid TOML",
            "line 6: mode: cruise: not valid TOML",
            "line 8: tone.volume = 30: above the highest allowed, 1; a fraction is expected",
        ],
    ),
    "a glider that is not there, and the rest": (
        'glider = "x.toml"\nnonsense = 1\n[flight]\nmaccready = 3\n',
        ["line 1: glider = ", "line 2: nonsense: unknown key", "line 4: flight.maccready = 3: "],
    ),
}


@pytest.mark.parametrize(("text", "lines"), ALL_AT_ONCE.values(), ids=ALL_AT_ONCE)
def test_no_error_hides_another(text: str, lines: list[str]) -> None:
    found = complaint(text)
    assert len(found) == len(lines), found
    for message, beginning in zip(sorted(found), sorted(lines), strict=True):
        assert message.startswith(f"my.toml, {beginning}")


def test_no_rule_is_called_broken_for_a_value_that_is_wrong_by_itself() -> None:
    # Which address is right depends on the chip, and the chip cannot be read.
    assert len(complaint("[sensors.pitot]\nchip = 5\naddress = 0x28\n")) == 1
    # With the right number these points may well rise.
    assert len(complaint('[tone]\nfrequency_zero = "650"\nfrequency_weak = "600 Hz"\n')) == 1
    assert len(complaint("", GLIDER.replace("c = 1.74", "c = -1.74"))) == 1


def test_a_wrong_polar_does_not_hide_wrong_limits() -> None:
    text = GLIDER.replace("b = -0.1\n", "").replace("180 km/h", "60 km/h").replace('"12 m2"', '"12"')
    found = complaint("", text)
    assert [line.partition(": ")[0] for line in found] == [f"my_glider.toml, line {n}" for n in (3, 5, 9, 10)]


def test_a_mass_too_high_is_told_beside_other_mistakes() -> None:
    found = complaint('[flight]\nmass = "1000 kg"\nbugs = 10\n', GLIDER)
    assert [line.partition(": ")[2].partition(" =")[0] for line in found] == ["flight.mass", "flight.bugs"]


def test_a_glider_file_is_checked_as_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "my_glider.toml"
    path.write_text(GLIDER)
    assert main(["config", "check", str(path)]) == 0
    assert capsys.readouterr().out == f"{path}: a glider file; no problem found\n"
    path.write_text(GLIDER.replace('"12 m2"', '"12"').replace("b = -0.1", "b = -0,1"))
    assert main(["config", "check", str(path)]) == 2
    said = capsys.readouterr().err
    assert "line 3: wing_area = " in said
    assert "line 6: b = -0,1: " in said
    assert len(said.splitlines()) == 2


def test_a_scenario_is_checked_as_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text('[air]\nsink = "9 m/s"\n[[phase]]\n')
    assert main(["config", "check", str(path)]) == 2
    assert "air.sink" in capsys.readouterr().err
