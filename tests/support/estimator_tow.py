"""A true flight begun in tow: a force that pulls a glider of the flight-dynamics library forwards."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.support import missing
from tests.support.truth_air import Scene
from tests.support.truth_dynamics import RATE_HZ, TRUTH_DTYPE, Pilot, start_flight, step_flight

TOW = """
 <external_reactions>
  <force name="tow" frame="BODY">
   <location unit="IN"> <x> 100 </x> <y> 0 </y> <z> 0 </z> </location>
   <direction> <x> 1 </x> <y> 0 </y> <z> 0 </z> </direction>
  </force>
 </external_reactions>
"""


def with_rope(glider: str, folder: Path) -> Path:
    """A copy of the library's glider with a force that pulls forwards through its centre of gravity."""
    jsbsim = missing.library("jsbsim", missing.JSBSIM)
    original = Path(jsbsim.get_default_root_dir()) / "aircraft" / glider
    copy = folder / "aircraft" / glider
    if not copy.exists():
        shutil.copytree(original, copy)
        file = copy / f"{glider}.xml"
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace("</ground_reactions>", "</ground_reactions>" + TOW, 1), encoding="utf-8")
    return copy.parent


def towed_flight(
    glider: str, scene: Scene, rng: np.random.Generator, folder: Path, tow_s: float
) -> NDArray[np.void]:
    """As `integrate` of `truth_dynamics`, with a tow for the first `tow_s`."""
    fdm = start_flight(glider, scene, with_rope(glider, folder))
    weight_lbs = fdm["inertia/weight-lbs"]
    pilot, place_m, rows = Pilot(rng), [0.0, 0.0], []
    for step in range(1, round(scene.duration_s * RATE_HZ) + 1):
        t_s = step * (1.0 / RATE_HZ)
        pull = 0.15 + 0.02 * math.sin(t_s / 3.0) if t_s < tow_s else 0.0
        fdm["external_reactions/tow/magnitude"] = pull * weight_lbs
        rows.append(step_flight(fdm, scene, pilot, t_s, place_m=place_m, rng=rng))
    return np.array(rows, dtype=TRUTH_DTYPE)
