"""Drivers from chips and NMEA sentences to samples in SI units.

This is the lowest layer: it imports nothing from `hw_replay` or `vario`.

Modules: `sensor` is the interface of a sensor (read this first); `samples` contains the sample types; `chip`
is the common part of all chips on the bus; `chips` has one module for each chip or family; `registry` is the
catalogue with `build` and `scan`; `gnss` drives receivers on a serial line; `bus` and `port` are the real
lines; `bus_log` records their transfers and `bus_replay` replays them; `fakes` contains simulated chips that
measure the true values of a `World`; `errors` contains the exceptions.
"""
