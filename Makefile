PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.DEFAULT_GOAL := help
.PHONY: help demo test check lint bench bench-diagnosis torture lock fuzz audit sbom clean

help: ## Say what there is to make
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 17

demo: $(VENV)/.run ## Show the main job: broker, simulated fleet, daemon, alarms (Ctrl-C ends it)
	@$(BIN)/heatbook demo

test: $(VENV)/.dev ## Run the tests: side by side, then those that need the machine to themselves
	@$(BIN)/python -m pytest -q -n auto --dist loadfile -m "not alone"; side=$$?; \
		$(BIN)/python -m pytest -q -m alone && exit $$side

lint: $(VENV)/.dev ## Check format, style, types and the direction of imports
	@$(BIN)/ruff format --check .
	@$(BIN)/ruff check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports

bench: $(VENV)/.dev ## Measure the whole path against a subscriber that does nothing
	@$(BIN)/python -m tests.bench

bench-diagnosis: $(VENV)/.dev ## Score the diagnosis on simulated trucks (some 10 minutes; ARGS="--days 200")
	@$(BIN)/python -m tests.bench.diagnosis $(ARGS)

torture: $(VENV)/.dev ## Kill, restart, flood, fail: print what was lost (ARGS="NAME --seed 3 --table FILE")
	@$(BIN)/python -m tests.torture $(ARGS)

fuzz: $(VENV)/.dev ## Fuzz all that reads bytes from outside, led by coverage (10 minutes; ARGS="--seconds 60")
	@$(BIN)/python -m tests.fuzz $(ARGS)

audit: $(VENV)/.dev ## Say what is known against the locked dependencies (ARGS=--required: or fail)
	@$(BIN)/python -m tests.supply.audit $(ARGS)

sbom: $(VENV)/.dev ## List what Heatbook is put together from, with licences, as CycloneDX in dist/
	@$(BIN)/python -m tests.supply.sbom

lock: $(VENV)/.dev ## Write the locks of the dependencies anew (hashed, no addresses)
	@$(BIN)/uv pip compile -q pyproject.toml --group dev -o deploy/requirements-dev.lock --upgrade $(LOCK)
	@$(BIN)/uv pip compile -q pyproject.toml --group build -o deploy/requirements.lock \
		-c deploy/requirements-dev.lock $(LOCK)  # what is shipped is what was tested

LOCK := --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header \
	--no-annotate

clean: ## Remove what was made
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
		|| { echo "Heatbook needs Python 3.11 or later; name one: make PYTHON=python3.11 ..."; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null \
		|| { echo "Python cannot make virtual environments here; install python3-venv"; exit 1; }
	@$(PYTHON) -m venv $(VENV)

$(VENV)/.run: deploy/requirements.lock pyproject.toml | $(VENV)/bin/python
	@echo "Installing what Heatbook needs into $(VENV) ..."
	@$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r $<
	@$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

$(VENV)/.dev: deploy/requirements-dev.lock pyproject.toml | $(VENV)/bin/python
	@echo "Installing what the tests need into $(VENV) ..."
	@$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r $<
	@$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@ $(VENV)/.run
