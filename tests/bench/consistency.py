"""Compare the errors of the estimator with its stated variances: `python -m tests.bench.consistency`.

Flights drawn from the inertial filter's own model (`consistency`), in two ways: according to the assumptions
of the Kalman filter (an updraft that changes little, a correction in each step), and as in flight (the
updraft for which the filter allows, a correction every second step). In the first case every value should lie
within its bounds of 99.9 %. In the second case the force of the wing depends on the updraft, contrary to the
theory, and the airspeeds since the last correction are averaged; there the table shows by how much the stated
variance is wrong.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat

import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.stats import chi2

from tests.support.consistency import AS_FLOWN, CALM, GROUPS, MEASUREMENTS, fly


def main() -> None:
    """Run the flights and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--flights", type=int, default=100)
    flights = parser.parse_args().flights
    console = Console(highlight=False)
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for title, noise, every in (("as theory wants it", CALM, 1), ("as flown", AS_FLOWN, 2)):
            # Seeds that the test suite does not use.
            found = list(pool.map(fly, range(1000, 1000 + flights), repeat(noise), repeat(every)))
            table = Table(title=f"{title}, {flights} flights", box=None, pad_edge=False)
            for column in ("", "mean a degree of freedom", "bounds"):
                table.add_column(column, justify="right" if column else "left")
            for group, size in GROUPS.items():
                mean = float(np.mean([flight.nees[group] for flight in found])) / size
                table.add_row(f"NEES {group}", f"{mean:.2f}", _bounds(flights * size))
            for name in MEASUREMENTS:
                values = np.concatenate([flight.residuals[name] for flight in found])
                table.add_row(f"NIS {name}", f"{np.mean(values**2):.2f}", _bounds(len(values)))
            console.print(table)


def _bounds(degrees: int) -> str:
    low, high = chi2.ppf([5e-4, 1.0 - 5e-4], degrees) / degrees
    return f"{low:.2f} to {high:.2f}"


if __name__ == "__main__":
    main()
