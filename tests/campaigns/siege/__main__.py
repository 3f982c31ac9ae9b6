"""`make siege`: run every attack and write docs/siege.md with expectations and observations.

With a word, only the attacks that contain it are run, and nothing is written.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from tests.campaigns.siege.attacks import GROUPS, attempt
from tests.campaigns.siege.report import page

PAGE = Path(__file__).parents[3] / "docs" / "siege.md"


def main() -> int:
    """Exit code 1 if an attack succeeds."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.siege", description=__doc__)
    parser.add_argument("word", nargs="?", default="")
    word = parser.parse_args().word
    seen, short = {}, 0
    for group, attacks in GROUPS.items():
        for attack, expectation, function in attacks:
            if word not in f"{group} {attack} {expectation}":
                continue
            begun_s = time.monotonic()
            found = attempt(function)
            seen[group, attack] = found
            short += not found.held
            print(f"{group}: {attack} ({time.monotonic() - begun_s:.1f} s): {found.text}", flush=True)
    if not seen:
        sys.exit(f"{word!r} is in the text of no attack; expected a part of a row of docs/siege.md")
    print(f"{len(seen)} attacks, {short} succeed")
    if not word:
        PAGE.write_text(page(seen), encoding="utf-8")
        print(PAGE)
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
