# Everything from a bare clone: each target sets up what it needs, once.
# Use another interpreter with `make PYTHON=python3.13 …`.

PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
READY  := $(VENV)/.ready

.PHONY: demo test lint bench bench-estimator demo-recording power races clean

demo: $(READY)
	$(BIN)/vario replay hw_replay/demo/quendel.mcap --out out/demo

test: $(READY)
	$(BIN)/python -m pytest

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(READY)
	$(BIN)/python -m vario.app.bench
	$(BIN)/python -m vario.sound.bench
	$(BIN)/python -m tests.bench_estimator

# How true the vario, netto, attitude and wind are, on flights with known truth: a few minutes.
bench-estimator: $(READY)
	$(BIN)/python -m tests.bench_estimator

# The bundled flight, made again from its script and seed.
demo-recording: $(READY)
	$(BIN)/python -m hw_replay.simulate

# Recordings, settings and marks while processes are killed and the power is cut: two minutes.
power: $(READY)
	$(BIN)/python -m tests.power_cuts 200

# Settings, marks and an editor against the live loop: some ten minutes.
races: $(READY)
	$(BIN)/python -m tests.races 10000

# A stamp, so that a second run installs nothing; a changed pyproject.toml does.
$(READY): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --editable '.[dev]'
	@touch $@

clean:
	rm -rf $(VENV) out dist build
