# `make demo` and `make test` do everything on a fresh machine with Python 3.11+ and make.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
HOUSE  ?= config/harbour-street/house.toml
SECONDS ?= 60
PACKETS ?= 100000000
RELEASE ?= 12
ARCH    ?= amd64
CUTS    ?= 2

# What Python and pytest make of a module is kept beside it, whatever the environment says: several processes read all.
export PYTHONDONTWRITEBYTECODE :=

.PHONY: help setup demo run test test-all check rule docs bench fuzz screenshots deb rack rack-smoke wheel tools clean

help:            ## list what can be done here
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | awk -F':.*## ' '{printf "  make %-12s %s\n", $$1, $$2}'

$(VENV)/.ready: pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Python 3.11 or newer is needed: make PYTHON=python3.12 …"; exit 1; }
	@$(PYTHON) -m venv $(VENV) || { echo "the venv module is missing: sudo apt-get install python3-venv"; exit 1; }
	@$(BIN)/pip install --quiet --disable-pip-version-check -e .
	@$(BIN)/python -m compileall -q daemon || true
	@touch $@

$(VENV)/.dev: $(VENV)/.ready
	@$(BIN)/pip install --quiet --disable-pip-version-check -e '.[dev]'
	@touch $@

demo: $(VENV)/.ready    ## a rehearsed house with real packets on loopback, and its page
	@$(BIN)/slotwatch rehearse demo

run: $(VENV)/.ready     ## watch a real house: make run HOUSE=/path/house.toml
	@$(BIN)/slotwatch serve -c $(HOUSE)

setup: $(VENV)/.dev    ## make the environment for contributors

tools:           ## install or name the system tools that the tests measure against
	@.ci/tools

test: $(VENV)/.dev    ## set up what it needs and run the quick tests, on all cores
	@$(BIN)/python -m pytest -n auto --dist worksteal -m "not live and not slow and not seldom"

test-all: $(VENV)/.dev tools   ## every test: quick ones with coverage, slow ones, browser, and live ones beside them
	@.ci/test-all $(BIN)/python

check: $(VENV)/.dev   ## style, types and layers, as CI does before the tests
	@$(BIN)/ruff check daemon tests benchmarks deb
	@$(BIN)/ruff format --check daemon tests benchmarks deb
	@$(BIN)/mypy
	@$(BIN)/python -m pytest tests/test_layers.py tests/test_private_names.py

rule: $(VENV)/.dev    ## one rule: its row, tests, scenarios and all healthy shows: make rule RULE=packet-loss
	@$(BIN)/python -m tests.rule $(RULE)

docs: $(VENV)/.dev    ## write everything that is generated: reference pages, golden metrics
	@$(BIN)/python -m tests.generated

bench: $(VENV)/.dev   ## speed and memory, as ratios against a floor measured in the same run
	@$(BIN)/python -m benchmarks

fuzz: $(VENV)/.dev    ## coverage-guided bytes against all that reads what strangers send: make fuzz SECONDS=600 PACKETS=1000000
	@$(BIN)/pip install --quiet --disable-pip-version-check -e '.[fuzz]' || echo "atheris cannot be installed here"
	@$(BIN)/python -m tests.fuzz.decoders $(SECONDS)
	@$(BIN)/python -m tests.fuzz.sequences $(SECONDS)
	@$(BIN)/python -m tests.fuzz.comparison $(PACKETS)

screenshots: $(VENV)/.dev  ## pictures of every view in both palettes
	@$(BIN)/python -m tests.web.screenshots

deb: $(VENV)/.dev     ## build the Debian package: make deb RELEASE=12 ARCH=amd64
	@$(BIN)/python -m deb.build --release $(RELEASE) --arch $(ARCH)

rack: $(VENV)/.dev    ## a virtual rack PC with the package, one line for each promise: make rack CUTS=20 ARCH=amd64
	@.ci/tools rack $(ARCH)
	@$(BIN)/python -m tests.rack --cuts $(CUTS) --arch $(ARCH)

rack-smoke: $(VENV)/.dev  ## its short part: installed, started, hears, power cut, back
	@.ci/tools rack $(ARCH)
	@$(BIN)/python -m tests.rack --smoke --arch $(ARCH)

wheel: $(VENV)/.dev   ## build the wheel
	@$(BIN)/python -m build --wheel

clean:           ## forget everything that was made here
	rm -rf $(VENV) .run dist build
