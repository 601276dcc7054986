# Two commands need no set-up: `make demo` and `make test`.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
DEMO := demo-day

.PHONY: help demo test speed evaluate lint format types docs clean

help:
	@echo "make demo   set up, write an invented shoot day into $(DEMO)/ and carry it from card to hand-over"
	@echo "make test   set up and run the tests"
	@echo "make speed  measured speeds, as ratios to a yardstick in the same run"
	@echo "make evaluate  the heavy evaluation of the detectors; writes docs/detection.md"
	@echo "make lint   format check, lint and types"
	@echo "make docs   write the generated pages and pictures again"

$(READY): requirements-test.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "Takewell needs Python 3.11 or newer; set one with: make PYTHON=/path/to/python3.11"; exit 2; }
	@$(PYTHON) -m venv $(VENV) 2>/dev/null && $(BIN)/python -m pip --version >/dev/null 2>&1 \
	  || { $(PYTHON) -m pip install -q --target $(VENV).tool virtualenv \
	       && PYTHONPATH=$(VENV).tool $(PYTHON) -m virtualenv -q --clear $(VENV) && rm -rf $(VENV).tool; } \
	  || { echo "No virtual environment could be made; on Debian: apt install python3-venv"; exit 2; }
	@echo "Installing what Takewell stands on (once) ..."
	@$(BIN)/python -m pip install -q --disable-pip-version-check -r requirements-test.txt
	@$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps -e .
	@touch $@

demo: $(READY)
	$(BIN)/takewell demo $(DEMO)

test: $(READY)
	$(BIN)/python -m pytest -n 2 --dist loadscope tests

speed: $(READY)
	@for bench in benchmarks/*.py; do echo "== $$bench"; $(BIN)/python $$bench || exit 1; done

EVALUATE_WITH = pesq==0.0.4 pyroomacoustics==0.10.1 pystoi==0.4.1

# Rooms, and speech quality against a reference; the first needs a C compiler. No other target asks for them.
evaluate: $(READY)
	$(BIN)/python -m pip install -q --disable-pip-version-check $(EVALUATE_WITH)
	$(BIN)/python -m evaluation.detectors
	$(BIN)/python -m evaluation.levelling
	$(BIN)/python -m evaluation.sync
	$(BIN)/python -m evaluation.mixing

lint: $(READY)
	$(BIN)/ruff format --check src tests benchmarks evaluation tools
	$(BIN)/ruff check src tests benchmarks evaluation tools
	$(BIN)/mypy

format: $(READY)
	$(BIN)/ruff format src tests benchmarks evaluation tools
	$(BIN)/ruff check --fix src tests benchmarks evaluation tools

types: $(READY)
	$(BIN)/mypy

docs: $(READY)
	cd tests && ../$(BIN)/python -m accuracy
	$(BIN)/takewell demo $(DEMO) && $(BIN)/python tools/make_pictures.py $(DEMO)

clean:
	rm -rf $(VENV) $(DEMO) .cache build dist
