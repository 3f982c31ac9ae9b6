# Everything from a bare clone: each target sets up what it needs, once.
# Use another interpreter with `make PYTHON=python3.13 …`.

PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
READY  := $(VENV)/.ready
TOOLS  := $(VENV)-release
FAST   := $(VENV)-compiled

.PHONY: demo test lint compiled bench bench-estimator faults demo-recording power races lock test-lowest audit release release-check soak soak-live fuzz network siege offline clean

demo: $(READY)
	$(BIN)/vario replay hw_replay/demo/quendel.mcap --out out/demo

test: $(READY)
	$(BIN)/python -m pytest

lint: $(READY)
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

bench: $(READY) $(FAST)/.ready
	$(BIN)/python -m vario.app.bench --beside $(FAST)/bin/python
	$(BIN)/python -m vario.sound.bench
	$(BIN)/python -m tests.bench_estimator

# How true the vario, netto, attitude and wind are, on flights with known truth: a few minutes.
bench-estimator: $(READY)
	$(BIN)/python -m tests.bench_estimator

# A day of flight watched for memory, time of a step and covariances: half an hour on an idle core.
soak: $(READY)
	$(BIN)/python -m tests.soak

# `vario run` as it is started, with everything on, watched from outside: an hour in real time.
soak-live: $(READY)
	$(BIN)/python -m tests.soak live

# A million damaged inputs, six minutes on an idle core; then files that ask for too much.
fuzz: $(READY)
	$(BIN)/python -m tests.fuzz
	$(BIN)/python -m tests.fuzz --bombs 1000000000

# Every sensor failing in every way, in cruise, circling and on the launch: some minutes. Writes docs/faults.md.
faults: $(READY)
	$(BIN)/python -m tests.faults

# The bundled flight, made again from its script and seed.
demo-recording: $(READY)
	$(BIN)/python -m hw_replay.simulate

# Recordings, settings and marks while processes are killed and the power is cut: two minutes.
power: $(READY)
	$(BIN)/python -m tests.power_cuts 200

# Programs that connect to the sentences over TCP and do not behave, a thousand times: half a minute.
network: $(READY)
	$(BIN)/python -m tests.network 1000

# Hostile recordings, names, files, disks and signals: three minutes. Writes docs/siege.md.
siege: $(READY)
	$(BIN)/python -m tests.siege

# The suite in a network namespace without routes: nothing connects anywhere it was not told to. Needs Linux.
offline: $(READY)
	PYTHON=$(BIN)/python .ci/offline

# Settings, marks and an editor against the live loop: five minutes.
races: $(READY)
	$(BIN)/python -m tests.races 10000

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

# A stamp, so that a second run installs nothing; a changed pyproject.toml does.
$(READY): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --editable '.[dev]'
	@touch $@

clean:
	rm -rf $(VENV) $(TOOLS) $(FAST) out dist build
