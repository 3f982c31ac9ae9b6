"""Drivers from chips and NMEA sentences to samples in SI units.

This is the lowest layer: it imports nothing from `hw_replay` or `vario`.

Where things are: `samples` what comes out; `sensor` how a sensor is driven (read this first); `chip` what
all chips on the bus share; one module a chip or family; `registry` the catalogue, `build` and `scan`;
`gnss` receivers on a serial line; `bus` and `port` the real wires; `bus_log` recording what goes over
them and `bus_replay` playing it back; `fakes` chips made of software, driven by a `World` of true values;
`errors`.
"""
