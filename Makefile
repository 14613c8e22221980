# One command: `make` runs format check, lint, types, import rules and tests. Every target makes .venv by itself.
PYTHON ?= python3
BIN := .venv/bin
READY := .venv/ready

.PHONY: all check format lint types imports test demo bench score backtest chargers clean

all: check test

$(READY): pyproject.toml constraints.txt
	$(PYTHON) -m venv .venv
	$(BIN)/pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable '.[broker,modbus,influx,postgres,fleet,webpush,solar,parquet,dev]'
	touch $(READY)

check: format lint types imports

format: $(READY)
	$(BIN)/ruff format --check .

lint: $(READY)
	$(BIN)/ruff check .

types: $(READY)
	$(BIN)/mypy

imports: $(READY)
	$(BIN)/lint-imports

test: $(READY)
	$(BIN)/pytest

demo: $(READY)
	$(BIN)/restvolt demo
