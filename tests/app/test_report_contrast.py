"""The picture of a flight can be read on a greyscale print."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.support.luminance import contrast, relative_luminance
from tests.support.report_trace import flight
from vario.app.picture.sheet import write_report
from vario.app.picture.style import AMBER, INK, MODE_STYLES, PAPER, TEAL


def contrast_of(one: str, other: str) -> float:
    return contrast(relative_luminance(one), relative_luminance(other))


def test_relative_luminance_agrees_with_published_values() -> None:
    # ITU-R BT.709 luminance of the primaries; contrast of black on white and of the grey #767676, the
    # lightest that reaches 4.5:1 on white, from the WCAG documents (from memory).
    assert relative_luminance("#ff0000") == pytest.approx(0.2126)
    assert relative_luminance("#00ff00") == pytest.approx(0.7152)
    assert relative_luminance("#0000ff") == pytest.approx(0.0722)
    assert contrast_of("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast_of("#767676", "#ffffff") >= 4.5 > contrast_of("#777777", "#ffffff")


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(MODE_STYLES, 2)))
def test_modes_differ_in_lightness(one: str, other: str) -> None:
    # Half as much again in contrast ratio; a difference of tone visible on a grey print (no source).
    assert contrast_of(MODE_STYLES[one].fill, MODE_STYLES[other].fill) >= 1.5


@pytest.mark.parametrize("line", [INK, TEAL, AMBER])
def test_lines_stand_out_from_paper_and_from_each_other(line: str) -> None:
    # WCAG 2.1, success criterion 1.4.11: graphical objects at 3:1 or more.
    assert contrast_of(line, PAPER) >= 3.0
    assert line == INK or contrast_of(line, INK) >= 3.0


@pytest.mark.long
def test_the_grey_print_shows_five_tones(tmp_path: Path) -> None:
    path = tmp_path / "report.png"
    write_report(path, flight(), [], "Grey")
    with Image.open(path) as image:
        tones = np.bincount(np.asarray(image.convert("L")).ravel(), minlength=256)
        colours = np.asarray(image.convert("RGB")).reshape(-1, 3)
    greys = []
    for style in MODE_STYLES.values():
        rgb = tuple(int(style.fill[k : k + 2], 16) for k in (1, 3, 5))
        assert np.count_nonzero((colours == rgb).all(axis=1)) > 2000, style
        greys.append(Image.new("RGB", (1, 1), rgb).convert("L").getpixel((0, 0)))
    assert all(tones[grey] > 2000 for grey in greys)
    assert np.min(np.diff(sorted(greys))) >= 25  # of 255
