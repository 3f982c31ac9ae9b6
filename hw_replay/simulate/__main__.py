"""`python -m hw_replay.simulate`: simulate the demo flight and write its recording, from a checkout."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from hw_replay.errors import RecordingError
from hw_replay.simulate.demo import BUNDLED, TITLE, demo_flight, write_recording


def main() -> int:
    """Write the demo recording; the settings and the glider file come from the folder config/."""
    parser = argparse.ArgumentParser(prog="python -m hw_replay.simulate", description=__doc__)
    parser.add_argument("--config", type=Path, default=Path("config"), help="folder of the settings")
    parser.add_argument("--out", type=Path, default=BUNDLED, help="recording to write")
    arguments = parser.parse_args()
    files = (arguments.config / "demo.toml", arguments.config / "gliders" / "quendel_2.toml")
    try:
        settings, glider = (file.read_text(encoding="utf-8") for file in files)
        # Without the index, so that the bundled flight stays below 3 MB.
        write_recording(arguments.out, demo_flight(), TITLE, settings, glider, indexed=False)
    except (OSError, RecordingError) as error:
        print(f"simulate: {error}", file=sys.stderr)  # noqa: T201 # this is the command line
        return 1
    print(f"{arguments.out}: {arguments.out.stat().st_size / 1e6:.2f} MB")  # noqa: T201 # likewise
    return 0


if __name__ == "__main__":
    sys.exit(main())
