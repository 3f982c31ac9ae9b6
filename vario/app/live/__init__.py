"""Live operation: from chips to sound and recording.

Modules: `fitting` makes the sensors from the settings; `faults` restarts a sensor that fails; `scheduler`
polls the sensors when they are due; `loop` passes samples to sound and recorder, with a heartbeat;
`recorder` writes the files; `file_watch` reads changed settings and marks in a thread; `speaker` manages a
sound device that may be missing; `ending` handles signals and the end; `teller` writes to the terminal;
`notify` informs the watchdog of the service manager; `status` formats the status; `run` implements the
command.
"""
