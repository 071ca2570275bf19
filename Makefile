# Every target sets up what it needs: .venv is made when it is missing and mended when the pins have changed.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
WORKERS ?= 2
FUZZ_SECONDS ?= 60
export PIP_DISABLE_PIP_VERSION_CHECK := 1
# pip hands these to its isolated builds too, which `-c` alone does not reach
export PIP_CONSTRAINT := constraints.txt
export PIP_BUILD_CONSTRAINT := constraints.txt

.PHONY: demo test lint bench soak fuzz serve clean help
help:
	@echo "make demo   an echo test on a simulated bench, end to end (DEMO='--firmware drops-one' shows a fault)"
	@echo "make test   all tests"
	@echo "make lint   ruff, mypy --strict, import directions"
	@echo "make bench  speed, memory and accuracy beside their goals"
	@echo "make soak   matrices and long runs"
	@echo "make fuzz   readers and decoder with inputs that widen the coverage (FUZZ_SECONDS=60 each)"
	@echo "make serve  the service on loopback (STATIONS=stations.toml)"

demo: $(VENV)/.ready-run
	$(BIN)/benchwarden demo $(DEMO)

test: $(VENV)/.ready-dev
	$(BIN)/python -m pytest -n $(WORKERS) -m "not soak" $(TESTS)

lint: $(VENV)/.ready-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest -q tests/test_directions.py

bench: $(VENV)/.ready-dev
	$(BIN)/python -m tests.bench $(BENCH)

soak: $(VENV)/.ready-dev
	$(BIN)/python -m pytest -n $(WORKERS) -m soak --timeout 3600 $(TESTS)

fuzz: $(VENV)/.ready-fuzz
	for target in arrays csv npz record; do $(BIN)/python -m tests.fuzz $$target --seconds $(FUZZ_SECONDS) || exit 1; done

serve: $(VENV)/.ready-run
	$(BIN)/benchwarden serve --stations $(or $(STATIONS),stations.toml)

$(VENV)/.ready-run: pyproject.toml constraints.txt Makefile
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed, %s is %s; try make PYTHON=python3.12" % (sys.executable, sys.version.split()[0]))'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV) || { rm -rf $(VENV); echo "python3 -m venv failed: on Debian install python3-venv"; exit 1; }
	$(BIN)/python -m pip install --quiet -c constraints.txt -e .
	@# as pip does for what it copies: without it the first start of each command compiles everything
	@$(BIN)/python -m compileall -q service drivers simulator
	@touch $@

$(VENV)/.ready-dev: $(VENV)/.ready-run
	$(BIN)/python -m pip install --quiet -c constraints.txt -e '.[dev]'
	@touch $@

$(VENV)/.ready-fuzz: $(VENV)/.ready-dev
	$(BIN)/python -m pip install --quiet -c constraints.txt -e '.[fuzz]'
	@touch $@

clean:
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache
