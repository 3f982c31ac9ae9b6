# Everything from a bare clone: each target sets up what it needs, once.
# Use another interpreter with `make PYTHON=python3.13 …`.

PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
PYTEST  = $(BIN)/python -m pytest --numprocesses $(JOBS) --dist worksteal
JOBS   ?= logical
# The environment grows by stages: what a pilot needs, what the tests need, what the developer needs.
FLY    := $(VENV)/.fly
CHECK  := $(VENV)/.check
DEV    := $(VENV)/.dev
TOOLS  := $(VENV)-release
FAST   := $(VENV)-compiled

.PHONY: demo test test-all explore lint compiled bench instructions bench-estimator bench-pilot faults demo-recording power races lock test-lowest audit release release-check soak soak-live fuzz network siege offline pi clean

demo: $(FLY)
	$(BIN)/vario replay hw_replay/demo/quendel.mcap --out out/demo

# On all cores, the same examples every time, without the long forms. It ends with what was left out.
test: $(CHECK)
	$(PYTEST)

# Everything, as CI runs it.
test-all: $(CHECK)
	$(PYTEST) --long

# The properties with new random examples each time, many times; a find is kept for the next run.
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

# The instrument with its flight logic compiled, in an environment of its own; needs a C compiler.
compiled: $(FAST)/.ready

$(FAST)/.ready: pyproject.toml .ci/compile.py $(shell find drivers hw_replay vario -name '*.py')
	$(PYTHON) -m venv $(FAST)
	HATCH_BUILD_HOOK_ENABLE_CUSTOM=1 $(FAST)/bin/python -m pip install --quiet .
	@touch $@

bench: $(CHECK) $(FAST)/.ready
	$(BIN)/python -m tests.bench.replay --beside $(FAST)/bin/python
	$(BIN)/python -m tests.bench.sound
	$(BIN)/python -m tests.bench.estimator

# Instructions of a flown second and of the start, against limits in the tree. Needs valgrind; five minutes.
instructions: $(CHECK)
	$(BIN)/python -m tests.bench.instructions --check

# How true the vario, netto, attitude and wind are, on flights with known truth: a few minutes.
bench-estimator: $(CHECK)
	$(BIN)/python -m tests.bench.estimator

# What the cues are worth to a pilot who acts on them, with the instrument in the loop: ten minutes.
bench-pilot: $(CHECK)
	$(BIN)/python -m tests.bench.pilot

# A day of flight watched for memory, time of a step and covariances: half an hour on an idle core.
soak: $(CHECK)
	$(BIN)/python -m tests.campaigns.soak

# `vario run` as it is started, with everything on, watched from outside: an hour in real time.
soak-live: $(CHECK)
	$(BIN)/python -m tests.campaigns.soak live

# A million damaged inputs, six minutes on an idle core; then files that ask for too much.
fuzz: $(CHECK)
	$(BIN)/python -m tests.campaigns.fuzz
	$(BIN)/python -m tests.campaigns.fuzz --bombs 1000000000

# Every sensor failing in every way, in cruise, circling and on the launch: some minutes. Writes docs/faults.md.
faults: $(CHECK)
	$(BIN)/python -m tests.campaigns.faults

# The bundled flight, made again from its script and seed.
demo-recording: $(CHECK)
	$(BIN)/python -m hw_replay.simulate

# Recordings, settings and marks while processes are killed and the power is cut: two minutes.
power: $(CHECK)
	$(BIN)/python -m tests.campaigns.power_cuts 200

# Programs that connect to the sentences over TCP and do not behave, a thousand times: half a minute.
network: $(CHECK)
	$(BIN)/python -m tests.campaigns.network 1000

# Hostile recordings, names, files, disks and signals: three minutes. Writes docs/siege.md.
siege: $(CHECK)
	$(BIN)/python -m tests.campaigns.siege

# The suite in a network namespace without routes: nothing connects anywhere it was not told to. Needs Linux.
offline: $(CHECK)
	PYTHON=$(BIN)/python .ci/offline

# The lock, the demo and a part of the suite on 64-bit Arm, in emulation: half an hour. Needs Debian or Ubuntu.
pi: $(CHECK)
	PYTHON=$(BIN)/python .ci/pi

# Settings, marks and an editor against the live loop: five minutes.
races: $(CHECK)
	$(BIN)/python -m tests.campaigns.races 10000

# Exact versions with hashes for the image of a Raspberry Pi.
lock: $(TOOLS)/.ready
	TOOLS=$(CURDIR)/$(TOOLS)/bin .ci/lock

# The oldest versions allowed of everything needed, and a part of the suite on them.
test-lowest: $(TOOLS)/.ready
	TOOLS=$(CURDIR)/$(TOOLS)/bin .ci/lowest

# Known vulnerabilities. For a script: .ci/audit itself tells by its exit code (1 found, 2 could not be looked up).
audit: $(TOOLS)/.ready
	TOOLS=$(CURDIR)/$(TOOLS)/bin .ci/audit

# Wheel, sdist and SBOM in dist/, of what is committed; built twice to see that the bytes are the same.
release: $(TOOLS)/.ready
	TOOLS=$(CURDIR)/$(TOOLS)/bin .ci/release

# Both of them in clean environments on Python 3.11 and 3.13.
release-check: release
	.ci/release-check

$(TOOLS)/.ready: pyproject.toml
	$(PYTHON) -m venv $(TOOLS)
	$(TOOLS)/bin/python -m pip install --quiet 'build>=1.2' 'uv>=0.5' 'cyclonedx-bom>=5' 'pip-audit>=2.7'
	@touch $@

# Stamps, so that a second run installs nothing; a changed pyproject.toml does.
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
