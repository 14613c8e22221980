# One command: `make` runs format check, lint, types, import rules and tests.
# Every target makes .venv by itself; the demo needs less in it than the tests.
PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/pip install --quiet --disable-pip-version-check --constraint constraints.txt
VAN := .venv/van
DEV := .venv/dev

.PHONY: all check format lint types imports test demo bench score backtest chargers torture soak coverage mutants pictures arm64 fleet fleet-torture fleet-torture-short clean

all: check test

.venv/bin/pip:
	$(PYTHON) -m venv .venv

$(VAN): pyproject.toml constraints.txt | .venv/bin/pip
	$(PIP) --editable '.[broker]'
	touch $@

$(DEV): $(VAN)
	$(PIP) --editable '.[broker,modbus,influx,postgres,fleet,webpush,solar,parquet,dev]'
	touch $@

check: format lint types imports

format: $(DEV)
	$(BIN)/ruff format --check .

lint: $(DEV)
	$(BIN)/ruff check .

types: $(DEV)
	$(BIN)/mypy

imports: $(DEV)
	$(BIN)/lint-imports --no-logo

test: $(DEV)
	$(BIN)/pytest -n 2

demo: $(VAN)
	$(BIN)/restvolt demo

score: $(DEV)
	$(BIN)/python -m tests.score

backtest: $(DEV)
	$(BIN)/python -m tests.backtest

chargers: $(DEV)
	$(BIN)/python -m tests.chargers

bench: $(DEV)
	$(BIN)/python -m tests.benchmarks

torture: $(DEV)
	$(BIN)/python -m tests.torture

coverage: $(DEV)
	$(BIN)/pytest -n 2 --cov=analytics --cov=ingest.formats --cov=ingest.decoder --cov-branch --cov-report=term-missing:skip-covered \
		--cov-fail-under=95 tests/analytics tests/contracts tests/ingest tests/chargers

mutants: $(DEV)
	$(BIN)/python -m tests.mutants

soak: $(DEV)
	$(BIN)/python -m tests.soak

fleet: $(DEV)
	$(BIN)/python -m tests.fleet

fleet-torture: $(DEV)
	$(BIN)/python -m tests.fleet.torture

fleet-torture-short: $(DEV)
	$(BIN)/python -m tests.fleet.torture --short

pictures: $(DEV)
	$(BIN)/python -m tests.end_to_end.pictures

arm64: $(DEV)
	$(BIN)/python -m tests.arm64

clean:
	rm -rf .venv build *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis
