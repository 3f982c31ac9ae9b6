"""The reference of scenario files as a page: `python -m vario.app.simulate.reference > docs/scenarios.md`."""

from __future__ import annotations

import sys

from vario.app.simulate.schema import ScenarioFile
from vario.app.simulate.tables import ENDS, TABLES
from vario.settings.quantity import key_of
from vario.settings.reference import key_tables, units_table

_HEAD = """# Scenarios

A scenario is a flight to be simulated: the air, the glider, what the pilot does, how good the sensors are and
what goes wrong with them. `vario simulate FILE` flies it into a recording, with the truth beside what the
sensors saw, so that `vario compare` can say how far the instrument was off. The same file and seed give the
same recording, bit for bit. `config/scenarios/` has some to begin with.

This page lists every key, made from the schema the program checks them with:
`python -m vario.app.simulate.reference > docs/scenarios.md`. All that is wrong with a file is said at once.

A value with a unit stands in quotes together with it (`speed = "100 km/h"`), in any unit of its kind:
"""

_MODELS = """
# Models

| what | model |
|---|---|
| air | the layer equation of the US Standard Atmosphere 1976, for the day's pressure and temperature |
| wind | the one-seventh power law (Peterson and Hennessey, J. Appl. Meteorology 17, 1978); or by layers |
| thermals | Allen's updrafts (AIAA 2006-1510), drifting with the wind |
| turbulence | random waves of 25 to 600 m, their energy by Kolmogorov's −5/3 law, drifting with the wind |
| gusts | 1 − cos, the discrete gust of MIL-F-8785C, in time |
| glider | a point mass with an attitude and the drag of its polar; in still air only drag takes energy |
| pilot | sees late, has demands limited in size and rate, and hands that are never quite still |
| sensors | white noise, constant error, slow wander, lag, crooked mounting, finite resolution |

Each is tested against its source. The energy balance holds for random flights in moving air
(`tests/test_scenario.py`), and a general flight-dynamics library flies the same wing through the same air
(`tests/test_scenario_truth.py`).
"""

_REPEATED = """
# Tables that may come more than once

Each begins with its name in double brackets. Phases are flown in the order they stand in; without any
the glider flies straight at 100 km/h, or stands on the field. Only the last may go on for good. A phase ends
as soon as one of its conditions holds: {ends}.
"""


def scenario_reference() -> str:
    """The page, as Markdown."""
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
