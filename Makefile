# Works on a machine with Python 3.11 and nothing else set up: the environment is made on first use.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
DEMO   ?= demo
# Tests run in this many processes; the tests of one file stay together.
WORKERS ?= 2

.PHONY: demo demo-data docs-pictures test lint bench study validation clean

# The stamp depends on what is installed, not on our own sources: those are installed editable.
$(VENV)/.installed: pyproject.toml constraints.txt
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "yewline needs Python 3.11 or newer")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable '.[test,lint]'
	touch $@

demo: $(VENV)/.installed
	$(BIN)/yewline demo $(DEMO)

# The demo's radargrams by the full wave, kept in src/yewline/workspace/demo_data: about an hour on two cores. Stopped, it
# goes on where it was.
demo-data: $(VENV)/.installed
	$(BIN)/python -m yewline.workspace.demo_record .demo-data

# The pictures of docs/processing.md, from the demo: half a minute.
docs-pictures: $(VENV)/.installed
	$(BIN)/python docs/make_pictures.py

# One thread a matrix product: the processes that the tests go side by side in use all cores already.
test: $(VENV)/.installed
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest -n $(WORKERS) --dist loadfile --cov --cov-report=term:skip-covered --cov-fail-under=90 $(PYTEST_ARGS)

lint: $(VENV)/.installed
	$(BIN)/ruff format --check src tests bench docs/*.py
	$(BIN)/ruff check src tests bench docs/*.py
	$(BIN)/mypy

bench: $(VENV)/.installed
	$(BIN)/python -m bench

# The table of docs/validation.md, from the tests themselves.
validation: $(VENV)/.installed
	YEWLINE_VALIDATION=validation.md $(BIN)/python -m pytest -q --no-cov tests/simulation -k wave

study: $(VENV)/.installed
	$(BIN)/python -m pytest -m study tests

clean:
	rm -rf $(VENV) demo .demo-data dist build .pytest_cache .mypy_cache .ruff_cache .hypothesis .coverage
