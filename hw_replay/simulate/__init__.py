"""A small flight simulator: invented flights whose truth is known.

`air` is what the glider flies in, `airframe` what it is, `glider` how it moves, `plan` and `pilot` what
is done with it, `sensors` what the instrument gets to see. `flight` puts them together as a stream of
samples; `demo` holds the flights that come with the project.
"""

from hw_replay.simulate.demo import demo_flight, long_flight
from hw_replay.simulate.flight import Scenario, motions, sensors_of, simulate

__all__ = ["Scenario", "demo_flight", "long_flight", "motions", "sensors_of", "simulate"]
