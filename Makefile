# What a newcomer types. `make run` and `make test` set up first; nothing but Python 3.11 and make need be there.
#   PYTHON=python3.13   chooses the Python       VENV=.venv-2   chooses the folder of the environment
#   ARGS="-k dose -x"   goes to pytest           LOCK_ARGS=--upgrade   lets `make lock` take newer versions

.DEFAULT_GOAL := help
.PHONY: help setup run needs test check lint types imports house bench faults lock clean

VENV ?= .venv
PY := $(VENV)/bin/python
export VENV PYTHON
# The tests are of the installed package; a path from outside would put another copy before it.
unexport PYTHONPATH PYTHONHOME

help:
	@echo 'make run      set up, then run the main job on the invented clinic and show it'
	@echo 'make test     set up, then run every test but the long fault runs'
	@echo 'make check    style, types, who imports whom, and the house tests'
	@echo 'make bench    run the benchmarks, ratios side by side'
	@echo 'make faults   run the long fault-injection tests'
	@echo 'make setup    make or mend the environment only'
	@echo 'make lock     write requirements.lock anew (needs uv)'
	@echo 'make clean    remove the environment and what the tools leave behind'

setup:
	@sh scripts/setup.sh

run: setup
	@"$(PY)" "$(VENV)/bin/drawup" demo

needs:
	@sh scripts/needs.sh

test: setup needs
	@"$(PY)" -m pytest $(ARGS)

check: lint types imports house

lint: setup
	@"$(PY)" -m ruff check .
	@"$(PY)" -m ruff format --check .

types: setup
	@"$(PY)" -m mypy --strict

imports: setup
	@"$(PY)" -c 'from importlinter.cli import lint_imports_command; lint_imports_command()' --no-logo

house: setup
	@"$(PY)" -m pytest tests/house

bench: setup
	@for file in benchmarks/[!_]*.py; do \
	    [ -e "$$file" ] || { echo 'There is no benchmark in benchmarks/ yet.'; break; }; \
	    "$(PY)" "$$file" || exit 1; \
	done

faults: setup needs
	@"$(PY)" -m pytest -m faults $(ARGS)

lock:
	@command -v uv >/dev/null || { echo 'make lock needs uv on PATH (pipx install uv); nothing was changed.' >&2; exit 1; }
	@uv pip compile pyproject.toml --group dev --extra scan --extra plan --python-version 3.11 --universal \
	    --generate-hashes --no-header --no-annotate --quiet --output-file requirements.lock $(LOCK_ARGS)

clean:
	@rm -rf "$(VENV)" build src/drawup.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
