"""Live operation: from chips to sound and recording.

Modules: `fitting` makes the sensors from the settings; `faults` restarts a sensor that fails; `scheduler`
polls the sensors when they are due; `loop` passes their samples on, with a heartbeat; `instrument` passes
each sample to the recorder and through the flight logic to the sound; `recorder` writes the files;
`file_watch` reads changed settings and marks in a thread; `controls` handles knobs and buttons; `speaker`
manages a sound device that may be missing; `ending` handles signals and the end; `teller` writes to the
terminal; `notify` informs the watchdog of the service manager; `status` and `status_table` format the status;
`emulation` plays a flight with fake chips, `practice` uses them for other commands; `run` and `command`
implement `vario run`, `service` implements `vario install-service`; `clock` is the clock of all of them.
"""
