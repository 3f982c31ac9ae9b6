"""Keys of the settings file that had another name in an earlier version.

A recording contains the settings of its flight, so its old keys are read under their new names. A settings
file belongs to its user: an old key in it is an error, and the message gives the new name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from hw_replay.bounded_toml import parse_toml
from vario.settings.edit import with_value
from vario.settings.toml_text import Path, value_at, write_toml_table

RENAMED: Mapping[Path, Path] = MappingProxyType(
    {
        ("sensors", "baro", "sits"): ("sensors", "baro", "location"),
        ("vario", "gust_memory"): ("vario", "gust_rejection_time"),
        ("circling", "start_after"): ("circling", "entry_angle"),
        ("circling", "start_hold"): ("circling", "entry_time"),
        ("circling", "stop_after"): ("circling", "exit_time"),
        ("circling", "turn_rate"): ("circling", "min_turn_rate"),
        ("circling", "same_climb_within"): ("circling", "climb_merge_time"),
        ("circling", "same_climb_distance"): ("circling", "climb_merge_distance"),
        ("centring", "memory_turns"): ("centring", "averaging_turns"),
        ("centring", "least_asymmetry"): ("centring", "min_asymmetry"),
        ("centring", "least_gain"): ("centring", "min_gain"),
        ("speed_to_fly", "rough_from"): ("speed_to_fly", "turbulence_threshold"),
        ("tone", "sink_share"): ("tone", "sink_volume_fraction"),
        ("tone", "quiet_from"): ("tone", "dead_band_low"),
        ("tone", "quiet_to"): ("tone", "dead_band_high"),
        ("tone", "pitch_sink"): ("tone", "frequency_sink"),
        ("tone", "pitch_zero"): ("tone", "frequency_zero"),
        ("tone", "pitch_weak"): ("tone", "frequency_weak"),
        ("tone", "pitch_full"): ("tone", "frequency_full"),
        ("tone", "beeps_zero"): ("tone", "beep_rate_zero"),
        ("tone", "beeps_weak"): ("tone", "beep_rate_weak"),
        ("tone", "beeps_full"): ("tone", "beep_rate_full"),
        ("tone", "cruise", "quiet_from"): ("tone", "cruise", "dead_band_low"),
        ("tone", "cruise", "speed_quiet"): ("tone", "cruise", "speed_dead_band"),
        ("tone", "cruise", "speed_pitch"): ("tone", "cruise", "speed_frequency"),
        ("tone", "cruise", "pairs_zero"): ("tone", "cruise", "pair_rate_zero"),
        ("tone", "cruise", "pairs_full"): ("tone", "cruise", "pair_rate_full"),
        ("sensors", "pitot", "zero"): ("sensors", "pitot", "offset"),
        ("sensors", "supply", "low"): ("sensors", "supply", "low_voltage"),
        ("recorder", "sync"): ("recorder", "sync_interval"),
        ("audio", "plays"): ("audio", "output"),
    }
)
"""Old key → new key. The values keep their meaning."""


def with_new_names(table: Mapping[str, Any]) -> dict[str, Any]:
    """The settings with new names. If a key is given by both names, the value of the new name is kept.

    `table` is not changed.
    """
    renamed = dict(table)
    for old, new in RENAMED.items():
        value = value_at(renamed, old)
        if value is not None:
            renamed = with_value(renamed, old, None)
            if value_at(renamed, new) is None:
                renamed = with_value(renamed, new, value)
    return renamed


def text_with_new_names(text: str) -> str:
    """The TOML text with new names; unchanged if it contains no old name or is not valid TOML."""
    return text_with(with_new_names, text)


def text_with(change: Callable[[Mapping[str, Any]], dict[str, Any]], text: str) -> str:
    """The TOML text after a change of its table; unchanged if nothing changes or it is not valid TOML."""
    try:
        table = parse_toml(text)
    except ValueError:
        return text
    changed = change(table)
    return text if changed == table else write_toml_table(changed)
