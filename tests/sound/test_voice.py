"""Speech in the sound engine, with generated words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import correlate

from tests.bench.voice import IMPORTANCE, index
from tests.support.generated_words import generated_bank, generated_word, write_bank
from vario.flight.tone.cues import RULES, Cue, CueCall
from vario.flight.tone.phrases import WORDS
from vario.flight.tone.stage import Speech, ToneCommand, Voice
from vario.sound.block_player import BlockPlayer
from vario.sound.cue_sounds import cue_sounds
from vario.sound.errors import WordsMissingError
from vario.sound.synth import Synth
from vario.sound.word_bank import ROOM
from vario.sound.word_files import ENDING, WORDS_HZ, language_table, languages, load_words

BANK = generated_bank()
SAID = Speech(("average", "2", "decimal", "3"), 1)
LIFT = ToneCommand(700.0, None, 0.5, Voice.LIFT, speech_level=0.5)
SILENCE = replace(LIFT, level=0.0)
QUARTER = WORDS_HZ // 4


def render(command: ToneCommand, n: int, before: ToneCommand | None = None) -> NDArray[np.float64]:
    synth = Synth(WORDS_HZ, BANK)
    if before is not None:
        synth.render(before, QUARTER)
    return synth.render(command, n).astype(float)


def length(words: tuple[str, ...]) -> int:
    sound = BANK.sentence(words)
    assert sound is not None
    return sound.samples.size


def test_words_come_in_order_and_once() -> None:
    sound = BANK.sentence(SAID.words)
    assert sound is not None
    heard = render(replace(SILENCE, speech=SAID), length(SAID.words) + QUARTER)
    expected = np.zeros(heard.size)
    expected[: sound.samples.size] = np.rint(sound.samples * np.float32(0.5) * np.float32(0.97 * 32767.0))
    assert np.max(np.abs(heard - expected)) <= 1.0
    places = [
        int(np.argmax(correlate(heard, generated_word(word), "valid"))) for word in ("average", "decimal")
    ]
    assert places[0] < places[1]


def test_without_words_or_with_one_missing_the_sound_is_that_of_the_tone() -> None:
    plain = Synth(WORDS_HZ).render(LIFT, WORDS_HZ)
    assert np.array_equal(Synth(WORDS_HZ).render(replace(LIFT, speech=SAID), WORDS_HZ), plain)
    unknown = replace(LIFT, speech=Speech(("average", "xyzzy"), 1))
    assert np.array_equal(Synth(WORDS_HZ, BANK).render(unknown, WORDS_HZ), plain)


def test_the_tone_steps_back_and_returns() -> None:
    n = length(SAID.words) + QUARTER
    speech = render(replace(SILENCE, speech=SAID), n)
    tone = render(replace(LIFT, speech=SAID), n, before=LIFT) - speech
    alone = render(LIFT, n, before=LIFT)
    middle = slice(QUARTER, length(SAID.words) - QUARTER)
    kept = np.sqrt(np.mean(tone[middle] ** 2) / np.mean(alone[middle] ** 2))
    assert kept == pytest.approx(ROOM, rel=0.05)
    assert np.array_equal(tone[-100:], alone[-100:])


@pytest.mark.parametrize("cue", Cue)
def test_every_cue_cuts_speech_within_ten_milliseconds(cue: Cue) -> None:
    warning = next(rule.is_warning for rule in RULES if rule.cue is cue)
    synth = Synth(WORDS_HZ, BANK)
    synth.render(replace(SILENCE, speech=SAID), QUARTER * 2)
    call = replace(SILENCE, speech=SAID, cue=CueCall(cue, 1, warning), cue_level=0.5, warning_level=0.5)
    heard = synth.render(call, WORDS_HZ * 2).astype(float)
    sound = cue_sounds(WORDS_HZ)[cue].samples
    expected = np.zeros(heard.size)
    expected[: sound.size] = sound * 0.5 * 0.97 * 32767.0
    after = round(0.011 * WORDS_HZ)
    assert np.max(np.abs(heard[after:] - expected[after:])) <= 1.0


def test_speech_does_not_begin_while_a_cue_sounds() -> None:
    call = replace(SILENCE, speech=SAID, cue=CueCall(Cue.SHIFT, 1, is_warning=False))
    without = replace(call, speech=None)
    assert np.array_equal(render(call, WORDS_HZ * 3), render(without, WORDS_HZ * 3))


@given(
    st.lists(
        st.tuples(st.integers(1, 3), st.sampled_from(WORDS), st.integers(1, 4000)), min_size=1, max_size=8
    ),
    st.floats(0.0, 1.0),
)
def test_blocks_of_any_size_give_the_same_samples_and_never_clip(
    parts: list[tuple[int, str, int]], level: float
) -> None:
    steps = [
        (replace(LIFT, level=1.0, speech_level=level, speech=Speech((word,), number)), n)
        for number, word, n in parts
    ]
    together = Synth(WORDS_HZ, BANK).render_all(steps)
    one_by_one = Synth(WORDS_HZ, BANK)
    apart = [one_by_one.render(command, part) for command, n in steps for part in (n // 3, n - n // 3)]
    assert np.array_equal(together, np.concatenate(apart))
    assert np.max(np.abs(together.astype(float))) <= 0.98 * 32767.0


def test_the_live_player_speaks_the_same_samples() -> None:
    player, n = BlockPlayer(WORDS_HZ, BANK), round(0.4 * WORDS_HZ)
    player.put(replace(LIFT, speech=SAID))
    assert np.array_equal(player.fill(n), Synth(WORDS_HZ, BANK).render(replace(LIFT, speech=SAID), n))


def test_the_index_is_that_of_the_standard_at_its_ends() -> None:
    # ANSI S3.5-1997: importances sum to 1; 15 dB of band SNR is fully, -15 dB not at all audible.
    assert float(np.sum(IMPORTANCE)) == pytest.approx(1.0, abs=1e-3)
    noise = np.random.default_rng(1).standard_normal(WORDS_HZ)
    assert index(noise * 10 ** (16 / 20), noise) == pytest.approx(1.0, abs=1e-3)
    assert index(noise, noise) == pytest.approx(0.5, abs=1e-3)
    assert index(noise * 10 ** (-16 / 20), noise) == pytest.approx(0.0, abs=1e-3)


def test_a_folder_of_words_is_loaded_at_either_rate(tmp_path: Path) -> None:
    write_bank(tmp_path)
    low, high = (load_words(tmp_path, "en", rate).sentence(("1",)) for rate in (WORDS_HZ, 2 * WORDS_HZ))
    assert low is not None
    assert high is not None
    assert abs(high.samples.size - 2 * low.samples.size) <= 4
    assert np.all(low.envelope >= np.abs(low.samples))


def test_a_missing_word_is_named(tmp_path: Path) -> None:
    with pytest.raises(WordsMissingError, match=r"0\.flac.*run: vario words"):
        load_words(tmp_path, "en", WORDS_HZ)
    write_bank(tmp_path)
    (tmp_path / "en" / f"wind{ENDING}").write_bytes(b"not a sound")
    with pytest.raises(WordsMissingError, match=r"wind\.flac"):
        load_words(tmp_path, "en", WORDS_HZ)
    with pytest.raises(WordsMissingError, match=r"no table of words; expected de, en,.* or your own"):
        language_table("xx", tmp_path)


def test_each_language_has_a_text_for_every_word_and_nothing_else(tmp_path: Path) -> None:
    assert {"en", "de"} <= set(languages())
    for language in languages():
        texts = language_table(language, tmp_path).texts
        assert set(texts) == set(WORDS)
        assert len(set(texts.values())) == len(texts)


def test_an_own_table_is_used_and_an_incomplete_one_is_told(tmp_path: Path) -> None:
    table = language_table("en", tmp_path)
    lines = [f'{name} = "x {name}"' for name in table.texts]
    own = tmp_path / "fr.toml"
    own.write_text('voice = "fr"\nwords_per_minute = 150\n[words]\n' + "\n".join(lines), encoding="utf-8")
    assert language_table("fr", tmp_path).texts["wind"] == "x wind"
    own.write_text('voice = "fr"\nwords_per_minute = 150\n[words]\n' + "\n".join(lines[1:]), encoding="utf-8")
    with pytest.raises(WordsMissingError, match="missing or no text: 0"):
        language_table("fr", tmp_path)
