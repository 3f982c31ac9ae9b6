"""Lines of FAI/IGC files for tests."""

import math
from pathlib import Path

from hw_replay.igc import IgcFile
from hw_replay.open import open_source

SPEC_FIX = "B1602455107126N00149300WA002880042905009970"  # A9 of an older edition, from memory
SPEC_EXTENSIONS = "I033638FXA3940SIU4143ENL"  # A3.4 and A9
HEADERS = ["AXXXABC", "HFDTE160710", "HFGTYGLIDERTYPE:Invented 15", "HFALGALTGPS:GEO"]


def fix(
    second: int,
    *,
    east_min: int = 0,
    pressure: str = "00500",
    gnss: int = 520,
    valid: str = "A",
    more: str = "",
) -> str:
    """A B record at 47° N, `east_min` thousandths of a minute east of 9° E."""
    hour, rest = divmod(second % 86_400, 3600)
    time = f"{hour:02d}{rest // 60:02d}{rest % 60:02d}"
    return f"B{time}4700000N00900{east_min:03d}E{valid}{pressure}{gnss:05d}{more}"


def igc(path: Path, lines: list[str], headers: list[str] = HEADERS) -> IgcFile:
    path.write_bytes("\r\n".join([*headers, *lines, ""]).encode("latin-1"))
    source = open_source(path)
    assert isinstance(source, IgcFile)
    return source


def placed(second: int, north_m: float, east_m: float, height_m: float) -> str:
    """A B record north and east of 47° N 9° E, on a sphere of 1855 m a minute."""
    north = round(north_m / 1.855)
    east = round(east_m / 1.855 / math.cos(math.radians(47.0)))
    hour, rest = divmod(second, 3600)
    ns, ew = 47 * 60_000 + north, 9 * 60_000 + east
    return (
        f"B{hour:02d}{rest // 60:02d}{rest % 60:02d}{ns // 60_000:02d}{ns % 60_000:05d}N"
        f"{ew // 60_000:03d}{ew % 60_000:05d}EA{height_m:05.0f}{height_m:05.0f}"
    )
