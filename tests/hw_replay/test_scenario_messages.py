"""The messages about wrong scenario files: line, value and what was expected."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.scenario_files import LINE, scenario_file
from vario.app.cli import main
from vario.app.simulate.file import load_scenario
from vario.settings.errors import SettingsError


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        (['titel = "x"'], ["line 1", "titel", "did you mean title?"]),
        (
            ['[[thermal]]\nname = "a"\nnorth = "1 km"\neast = "1"\nscale = "4 m/s"\ntop = "2 km"'],
            ["line 4", "unit is missing"],
        ),
        (
            ['[[thermal]]\nname = "a"\nnorth = "1 km"\neast = "1 m"\nscale = "4 m/s"'],
            ["line 1", "top: missing"],
        ),
        ([LINE["phase"], '[[phase]]\nname = "b"\nspeed = "90 km/h"'], ["line 2", "never ends", "after"]),
        (['[[phase]]\nname = "b"\nspeed = "90 km/h"\nsteer = "circle"'], ["steer", "needs bank"]),
        (
            ['[[phase]]\nname = "b"\nspeed = "90 km/h"\nthermal = "x"\npast = "1 m"'],
            ["line 4", "no such thermal"],
        ),
        (['phase = "fly"'], ["expected tables", "[[phase]]"]),
        (['[[fault]]\nchannel = "baro"\nkind = "bias"'], ["kind", "needs size"]),
        (['[[fault]]\nchannel = "barro"'], ["line 2", 'did you mean "baro"?']),
        (
            ['[[fault]]\nchannel = "baro"\nkind = "loss"\nfrom = "9 s"\nuntil = "3 s"'],
            ["until must be later than from"],
        ),
        (['[[fault]]\nchannel = "baro"\nevery = "9 s"'], ["line 3", "every", "lasts", "needs both"]),
        (['[sensors.rates]\nimu = "30 Hz"'], ["line 2", "divides 100"]),
        (['[start]\nheight = "900 m"'], ["needs both height and speed"]),
        (["seed = 1.5"], ["seed", "whole number"]),
        (['[glider]\nfile = "none.toml"'], ["line 2", "none.toml", "glider file"]),
        (['[[wind_layer]]\nheight = "9 m"\nfrom = "1 deg"\nspeed = "3 m/s"'] * 2, ["heights that rise"]),
    ],
)
def test_errors_name_line_value_and_what_was_expected(
    parts: list[str], words: list[str], tmp_path: Path
) -> None:
    with pytest.raises(SettingsError) as raised:
        load_scenario(scenario_file(tmp_path, *parts))
    for word in words:
        assert word in str(raised.value)


def test_everything_wrong_is_said_at_once_in_the_order_of_the_lines(tmp_path: Path) -> None:
    wrong = """
    [sensors.rates]
    imu = "33 Hz"
    [glider]
    file = "none.toml"
    [[phase]]
    name = "a"
    speed = "100 km/h"
    thermal = "none"
    within = "100 m"
    [[thermal]]
    name = "north"
    north = "1 km"
    east = "0 m"
    scale = "4 m/s"
    top = "2 km"
    [[thermal]]
    name = "north"
    north = "2 km"
    east = "0 m"
    scale = "4 m/s"
    top = "2 km"
    [[fault]]
    kind = "stop"
    """
    path = tmp_path / "mine.toml"
    path.write_text(wrong, encoding="utf-8")
    with pytest.raises(SettingsError) as raised:
        load_scenario(path)
    found = [(problem.line, problem.subject) for problem in raised.value.problems]
    assert found == [
        (3, 'sensors.rates.imu = "33 Hz"'),
        (5, 'glider.file = "none.toml"'),
        (9, 'thermal = "none"'),
        (18, 'name = "north"'),
        (24, 'kind = "stop"'),
    ]


def test_a_file_that_is_not_there_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", str(tmp_path / "no.toml")]) == 2
    said = capsys.readouterr().err
    assert "no.toml" in said
    assert said.count("\n") == 1
