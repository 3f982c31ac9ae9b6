"""Write the reference of scenario files: `python -m tests.documents.scenarios > docs/scenarios.md`."""

from __future__ import annotations

import sys

from tests.documents.settings import key_tables, units_table
from vario.app.simulate.schema import ScenarioFile
from vario.app.simulate.tables import ENDS, TABLES
from vario.settings.quantity import key_of

_HEAD = """# Scenarios

A scenario describes a simulated flight: the air, the glider, the actions of the pilot, and the errors and
faults of the sensors. `vario simulate FILE` simulates it and writes a recording. The recording contains the
sensor data and the true values, so that `vario compare` can measure the errors of the instrument. The same
file and seed give the same recording, bit for bit. `config/scenarios/` contains examples.

This page lists every key. It is generated from the schema with which the program checks scenario files
(`python -m tests.documents.scenarios > docs/scenarios.md`). The program reports all errors of a file at
once.

A value with a unit is written in quotes together with its unit (`speed = "100 km/h"`). The units are:
"""

_MODELS = """
# Models

| what | model |
|---|---|
| air | the layer equation of the US Standard Atmosphere 1976, for the day's pressure and temperature |
| wind | the one-seventh power law (Peterson and Hennessey, J. Appl. Meteorology 17, 1978), or layers |
| thermals | Allen's updrafts (AIAA 2006-1510), drifting with the wind |
| turbulence | random waves of 25 to 600 m with the energy of Kolmogorov's −5/3 law, drifting with the wind |
| gusts | 1 − cos, the discrete gust of MIL-F-8785C, as a function of time |
| glider | a point mass with an attitude and the drag of its polar; in still air only drag takes energy |
| pilot | reacts with a delay, with limits of control and rate, and with small random errors |
| sensors | white noise, constant error, slow drift, lag, mounting error, finite resolution |

Each model is tested against its source. The energy balance holds for random flights in moving air
(`tests/hw_replay/test_scenario.py`). A general flight-dynamics library simulates the same wing in the same
air (`tests/hw_replay/test_scenario_truth.py`).
"""

_REPEATED = """
# Tables that may be repeated

Each of these tables begins with its name in double brackets. Phases are flown in the order of the file.
Without phases the glider flies straight at 100 km/h, or stands on the field. A phase ends as soon as one of
its conditions is true: {ends}. Only the last phase may be without a condition.
"""


def scenario_reference() -> str:
    """The page as Markdown text."""
    ends = ", ".join(f"`{key_of(name)}`" for name in ENDS)
    repeated = [line for name, table in TABLES.items() for line in key_tables(table, name)]
    units = units_table(ScenarioFile, *TABLES.values())
    lines = [
        _HEAD,
        *units,
        *key_tables(ScenarioFile),
        _REPEATED.format(ends=ends).rstrip(),
        *repeated,
        _MODELS.rstrip(),
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(scenario_reference())
