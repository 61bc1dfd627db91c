# Two commands do everything on a fresh machine: `make demo` and `make test`.
SHELL := /bin/bash
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: demo test check bench truth fit soak setup setup-test system clean

demo: $(VENV)/.run
	exec $(BIN)/sagwise demo

setup: $(VENV)/.run

setup-test: $(VENV)/.test system

# What makes the simulated truth is installed meanwhile; the tests that need it wait for it. Coverage is counted over the
# fast tests alone: it more than doubles the time of the others.
test: setup-test
	@bash tests/tools/truth-environment > .venv-truth.log 2>&1 &
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/pytest -n 2 --dist loadfile -m "not slow and not browser and not long" --cov --cov-report=term --cov-fail-under=85
	$(BIN)/pytest -n 2 --dist loadfile --no-loadscope-reorder -m "(slow or browser) and not calm and not alone and not long"
	$(BIN)/pytest -n 2 --dist loadfile --no-loadscope-reorder -m "calm and not long" --durations=12
	$(BIN)/pytest -m "alone and not long" --durations=12

check: $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/pytest -q -n 2 -m "not slow and not browser and not long"

bench: $(VENV)/.test
	$(BIN)/python tests/bench/run.py

# All kept rides of known rest voltage anew, into tests/truth/rides: some minutes.
truth:
	bash tests/tools/truth-environment
	PYBAMM_DISABLE_TELEMETRY=true .venv-truth/bin/python tests/truth/make.py

# Searches for the estimator's settings marked "fitted" and prints what it finds. RIDES: folders of rides to
# search with, made first where there is none. FIT: more for tests/fit/search.py, as --leave-out CELL or --write.
RIDES ?= tests/.cache/fit/rides
fit: export PYTHONPATH := tests/support:daemon:firmware_protocol
fit:
	bash tests/tools/truth-environment
	test -d $(firstword $(RIDES)) || PYBAMM_DISABLE_TELEMETRY=true .venv-truth/bin/python tests/truth/make.py --mixed 60 --seed 20000 --out $(RIDES)
	.venv-truth/bin/python tests/fit/search.py $(RIDES) $(FIT)

soak: setup-test
	$(BIN)/pytest -m long -s --timeout=7200

$(VENV)/bin/python:
	$(PYTHON) tests/tools/python_is_new_enough.py
	$(PYTHON) -m venv $(VENV)

$(VENV)/.run: pyproject.toml constraints.txt | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	touch $@

$(VENV)/.test: pyproject.toml constraints.txt | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[test]'
	touch $@ $(VENV)/.run

# Debian packages that the tests need: a broker, a browser, a C compiler with sanitizers.
system:
	bash tests/tools/system-packages

clean:
	rm -rf $(VENV) .venv-truth .venv-truth.lock .venv-truth.log build dist .mypy_cache .pytest_cache .ruff_cache
