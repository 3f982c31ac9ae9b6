"""The page of a flight in Chromium: its sound is that of the instrument."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import correlate

from tests.support.browser import Browser, press, script, wait
from tests.support.examples import everything
from tests.support.generated_words import generated_bank
from tests.support.page_flights import content_of, demo
from tests.support.page_in_browser import opened, saved
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue, CueCall
from vario.flight.tone.stage import Speech
from vario.sound.synth import Synth


def dominant_hz(sound: NDArray[np.float64], rate_hz: float) -> float:
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size), 1 << 17))
    return float(np.argmax(spectrum)) * rate_hz / (1 << 17)


def test_moving_the_cursor_plays_the_sound_from_there(browser: Browser, demo_page: Path) -> None:
    opened(browser, demo_page)
    heard = []
    for reading in (r for r in demo().readings[500::450] if r.tone.level > 0.0):
        script(browser, f"flightPage.setCursor({reading.t_s}, 'quiet')")
        press(browser, "ARROW_RIGHT")
        wait(browser, lambda b: script(b, "flightPage.player.heard") > 0, 5.0)
        assert script(browser, "flightPage.player.from") == pytest.approx(reading.t_s + 1.0, abs=0.02)
        heard.append(script(browser, "flightPage.player.heard"))
    assert len(heard) >= 3
    assert np.all(np.diff(heard) > 0)


def test_the_page_sounds_like_the_instrument(browser: Browser, demo_page: Path) -> None:
    """Compare pitch and share of sound with the PCM of the instrument in the same seconds."""
    opened(browser, demo_page)
    rate_hz = script(browser, "flightPage.sampleRate")
    readings, compared = demo().readings, 0
    cues_s = [cue[0] for cue in content_of(demo())["tones"]["cues"]]
    for start in range(600, len(readings) - 60, 331 if everything() else 179):
        part = readings[start : start + 31]
        if part[0].tone.level == 0.0 or part[-1].t_s - part[0].t_s > 5.0:
            continue
        if any(part[0].t_s - 1.5 < cue_s < part[-1].t_s for cue_s in cues_s):
            continue  # a cue has tests of its own
        synth = Synth(rate_hz)
        own = np.concatenate(
            [
                synth.render(replace(before.tone, cue=None), round((after.t_s - before.t_s) * rate_hz))
                for before, after in pairwise(part)
            ]
        )
        own = own / 32767.0
        seconds = own.size / rate_hz
        values = script(browser, f"Array.from(flightPage.render({part[0].t_s + 0.001}, {seconds}))")
        shown = np.array(values)
        compared += 1
        assert dominant_hz(shown, rate_hz) == pytest.approx(dominant_hz(own, rate_hz), rel=0.03)
        assert np.sqrt(np.mean(shown**2)) == pytest.approx(np.sqrt(np.mean(own**2)), rel=0.25)
    assert compared >= 8


def test_the_page_says_what_the_instrument_says(browser: Browser, tmp_path: Path) -> None:
    """A sentence over silence, then one that a cue ends; compared with the PCM of the instrument."""
    bank = generated_bank()
    quiet = [replace(r, tone=replace(r.tone, level=0.0, cue=None)) for r in demo().readings[600:700]]
    said = [Speech(("average", "2", "decimal", "3"), 1), Speech(("wind", "2", "4", "0"), 2)]
    cue = CueCall(Cue.CIRCLING_BEGUN, 1, is_warning=False)

    def spoken(k: int, reading: Reading) -> Reading:
        tone = replace(reading.tone, speech=None if k < 5 else said[0 if k < 50 else 1], speech_level=0.6)
        return replace(reading, tone=replace(tone, cue=cue if k >= 55 else None, cue_level=0.5))

    readings = [spoken(k, reading) for k, reading in enumerate(quiet)]
    opened(browser, saved(tmp_path, demo()._replace(readings=readings, climbs=[]), bank))
    rate_hz = script(browser, "flightPage.sampleRate")
    synth = Synth(rate_hz, bank)
    own = np.concatenate(
        [
            synth.render(before.tone, round((after.t_s - before.t_s) * rate_hz))
            for before, after in pairwise(readings)
        ]
    )
    own = own / 32767.0
    values = script(
        browser, f"Array.from(flightPage.render({readings[0].t_s + 0.001}, {own.size / rate_hz}))"
    )
    shown = np.array(values)
    for begin, end in ((0, 48), (49, 54), (56, 99)):  # a sentence, the beginning of one, and the cue after it
        at = [round((readings[k].t_s - readings[0].t_s) * rate_hz) for k in (begin, end)]
        ours, page = own[slice(*at)], shown[slice(*at)]
        assert np.sqrt(np.mean(page**2)) == pytest.approx(np.sqrt(np.mean(ours**2)), rel=0.05)
        alike = correlate(page, ours, "same") / np.sqrt(np.sum(ours**2) * np.sum(page**2))
        assert np.max(alike) > 0.99, begin  # times of the page are rounded to 0.01 s


def test_playing_moves_the_cursor_as_time_passes(browser: Browser, demo_page: Path) -> None:
    opened(browser, demo_page)
    script(browser, "flightPage.setCursor(320, 'quiet')")
    press(browser, " ")
    wait(browser, lambda b: script(b, "flightPage.state.t") > 321.0, 15.0)
    # Both times of one moment, however busy the machine is.
    played = "flightPage.player.context.currentTime - flightPage.player.startedAt"
    ahead, shown_s = script(browser, f"[{played}, flightPage.state.t]")
    assert shown_s == pytest.approx(320.0 + ahead, abs=0.5)
    press(browser, " ")
    stopped = script(browser, "flightPage.state.t")
    assert not script(browser, "flightPage.player.playing")
    assert script(browser, "flightPage.state.t") == stopped
