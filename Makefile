# Every target works in a new clone: on its first run it installs what it needs.
# Use another interpreter with `make PYTHON=python3.13 …`.

PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
PYTEST  = $(BIN)/python -m pytest --numprocesses $(JOBS) --dist worksteal
JOBS   ?= logical
# The environment has three stages: what a pilot needs, then what the tests need, then what a developer needs.
FLY    := $(VENV)/.fly
CHECK  := $(VENV)/.check
DEV    := $(VENV)/.dev
TOOLS  := $(VENV)-release
FAST   := $(VENV)-compiled

.PHONY: demo test test-all explore lint compiled bench instructions bench-estimator bench-pilot faults demo-recording power races lock test-lowest audit release release-check soak soak-live fuzz network siege offline pi clean

demo: $(FLY)
	$(BIN)/vario replay hw_replay/demo/quendel.mcap --out out/demo

# Run the tests on all cores, without the long forms and with the same examples each time, and list the skipped tests.
test: $(CHECK)
	$(PYTEST)

# Run all tests, as CI does.
test-all: $(CHECK)
	$(PYTEST) --long

# Run the property tests many times, each time with new random examples. A failing example is kept for the next run.
TIMES ?= 20
explore: $(CHECK)
	for time in $$(seq $(TIMES)); do \
		echo "== search $$time of $(TIMES)"; \
		$(PYTEST) --long -m hypothesis --hypothesis-profile explore || exit 1; \
	done

lint: $(DEV)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# Install the instrument with compiled flight logic, in a separate environment; needs a C compiler.
compiled: $(FAST)/.ready

$(FAST)/.ready: pyproject.toml .ci/compile.py $(shell find drivers hw_replay vario -type f ! -name '*.pyc')
	$(PYTHON) -m venv $(FAST)
	HATCH_BUILD_HOOK_ENABLE_CUSTOM=1 $(FAST)/bin/python -m pip install --quiet .
	@touch $@

bench: $(CHECK) $(FAST)/.ready
	$(BIN)/python -m tests.bench.replay --beside $(FAST)/bin/python
	$(BIN)/python -m tests.bench.sound
	$(BIN)/python -m tests.bench.estimator

# Count the instructions of one second of flight and of the start, and compare them with the limits. Needs valgrind; five minutes.
instructions: $(CHECK)
	$(BIN)/python -m tests.bench.instructions --check

# Measure the errors of vario, netto, attitude and wind on flights with known truth: a few minutes.
bench-estimator: $(CHECK)
	$(BIN)/python -m tests.bench.estimator

# Measure how much better a simulated pilot climbs who acts on the cues: ten minutes.
bench-pilot: $(CHECK)
	$(BIN)/python -m tests.bench.pilot

# Simulate a day of flight, and check memory, time per step and covariances: half an hour on an idle core.
soak: $(CHECK)
	$(BIN)/python -m tests.campaigns.soak

# Run `vario run` with every output for an hour in real time, and observe the process from outside.
soak-live: $(CHECK)
	$(BIN)/python -m tests.campaigns.soak live

# Read a million damaged inputs (six minutes on an idle core), then files that claim excessive sizes.
fuzz: $(CHECK)
	$(BIN)/python -m tests.campaigns.fuzz
	$(BIN)/python -m tests.campaigns.fuzz --bombs 1000000000

# Simulate every fault of every sensor in cruise, circling and launch: some minutes. Writes docs/faults.md.
faults: $(CHECK)
	$(BIN)/python -m tests.campaigns.faults

# Simulate the bundled flight again, from its script and seed.
demo-recording: $(CHECK)
	$(BIN)/python -m hw_replay.simulate

# Kill processes and cut the power while recordings, settings and marks are written: two minutes.
power: $(CHECK)
	$(BIN)/python -m tests.campaigns.power_cuts 200

# Connect a thousand faulty TCP clients to the NMEA output: half a minute.
network: $(CHECK)
	$(BIN)/python -m tests.campaigns.network 1000

# Run the commands with hostile recordings, names, files, disks and signals: three minutes. Writes docs/siege.md.
siege: $(CHECK)
	$(BIN)/python -m tests.campaigns.siege

# Run the tests in a network namespace without routes: no part may open an unexpected connection. Needs Linux.
offline: $(CHECK)
	PYTHON=$(BIN)/python .ci/offline

# Install the lock, and run the demo and a part of the tests, interpreted and compiled, on emulated 64-bit Arm: over an hour of processor time. Needs Debian or Ubuntu.
pi: $(CHECK)
	PYTHON=$(BIN)/python .ci/pi

# Change settings from several programs and an editor during the live loop: five minutes.
races: $(CHECK)
	$(BIN)/python -m tests.campaigns.races 10000

# Write the exact versions with hashes for the image of a Raspberry Pi.
lock: $(TOOLS)/.ready
	TOOLS=$(CURDIR)/$(TOOLS)/bin .ci/lock

# Run a part of the tests with the oldest permitted version of each dependency.
test-lowest: $(TOOLS)/.ready
	TOOLS=$(CURDIR)/$(TOOLS)/bin .ci/lowest

# Look up known vulnerabilities. In a script use .ci/audit: exit code 1 if there are any, 2 if the look-up failed.
audit: $(TOOLS)/.ready
	TOOLS=$(CURDIR)/$(TOOLS)/bin .ci/audit

# Build wheel, sdist and SBOM of the committed files in dist/, twice, and compare the bytes.
release: $(TOOLS)/.ready
	TOOLS=$(CURDIR)/$(TOOLS)/bin .ci/release

# Install wheel and sdist in clean environments with Python 3.11 and 3.13, and replay the demo.
release-check: release
	.ci/release-check

$(TOOLS)/.ready: pyproject.toml
	$(PYTHON) -m venv $(TOOLS)
	$(TOOLS)/bin/python -m pip install --quiet 'build>=1.2' 'uv>=0.5' 'cyclonedx-bom>=5' 'pip-audit>=2.7'
	@touch $@

# Marker files: a second run installs nothing, unless pyproject.toml has changed.
$(FLY): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --editable .
	@touch $@

$(CHECK): $(FLY)
	$(BIN)/python -m pip install --quiet --editable '.[test]'
	@touch $@

$(DEV): $(CHECK)
	$(BIN)/python -m pip install --quiet --editable '.[dev]'
	@touch $@

clean:
	rm -rf $(VENV) $(TOOLS) $(FAST) out dist build
