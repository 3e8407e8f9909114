# Everything from a bare machine with Python 3.11 or newer: `make demo` or `make test` do all the set-up themselves.
PYTHON ?= python3
VENV ?= .venv
BIN = $(VENV)/bin
INSTALL = $(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt

.PHONY: demo test property browser fault coverage lint types check bench fuzz validate dist licences sbom clean

demo: $(VENV)/.core
	$(BIN)/idlewhy demo --out demo-out

test: $(VENV)/.dev programs
	$(BIN)/python -m pytest -n auto

# One kind of test alone; `make coverage` is all of them with the lines and branches they pass.
property browser fault: $(VENV)/.dev programs
	$(BIN)/python -m pytest -n auto -m $@

coverage: $(VENV)/.dev programs
	$(BIN)/python -m pytest -n auto --cov --cov-report=term:skip-covered

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.dev
	$(BIN)/mypy

check: test lint types

bench: $(VENV)/.dev
	$(BIN)/python -m benchmarks

# `make fuzz MINUTES=60`: so long for each reader of logs and databases, one after another. Needs the package atheris.
MINUTES ?= 4
fuzz: $(VENV)/.dev
	$(INSTALL) --editable '.[fuzz]'
	$(BIN)/python -m tests.fuzz --minutes $(MINUTES)

# The estimator against truths from a porous-electrode model; the truths are kept in the user's cache folder.
validate: $(VENV)/.validate
	$(BIN)/python -m benchmarks.validation

# The wheel has the same bytes for the same commit: its times are those of the commit.
dist: $(VENV)/.dev
	SOURCE_DATE_EPOCH=$$(git log -1 --format=%ct) $(BIN)/python -m build --no-isolation

# Under which licence each dependency of users stands.
licences: $(VENV)/.dev
	@$(BIN)/python -m benchmarks.licences

# A CycloneDX bill of what users install: an environment of its own, with all extras for users and without our tools.
sbom: $(VENV)/.dev
	mkdir -p dist
	$(BIN)/python -m venv --clear build/users
	build/users/bin/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt '.[mf4,fast,fleet,web]'
	$(BIN)/cyclonedx-py environment --pyproject pyproject.toml --output-reproducible \
	  --output-file dist/idlewhy.cdx.json build/users/bin/python

# Debian keeps the module that makes environments in a package of its own.
$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV) || { apt-get update -q && apt-get install -y -q python3-venv && $(PYTHON) -m venv --clear $(VENV); }

$(VENV)/.core: pyproject.toml constraints.txt | $(VENV)/bin/python
	$(INSTALL) --editable .
	touch $@

$(VENV)/.dev: pyproject.toml constraints.txt | $(VENV)/bin/python
	$(INSTALL) --editable '.[dev]'
	touch $@

$(VENV)/.validate: pyproject.toml constraints.txt | $(VENV)/bin/python
	$(INSTALL) --editable '.[validate]'
	touch $@

# The browser tests drive the distribution's Chromium; the example of a reverse proxy runs in its nginx.
.PHONY: programs
programs:
	@command -v chromium >/dev/null 2>&1 || command -v chromium-browser >/dev/null 2>&1 \
	  || { apt-get update -q && apt-get install -y -q --no-install-recommends chromium fonts-dejavu-core; }
	@command -v nginx >/dev/null 2>&1 && command -v openssl >/dev/null 2>&1 \
	  || { apt-get update -q && apt-get install -y -q --no-install-recommends nginx-light openssl; }

clean:
	rm -rf $(VENV) demo-out build dist *.egg-info
