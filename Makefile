# handfast: one folder, one virtual environment. Every target sets up what it needs by itself.
PYTHON ?= python3
BIN := .venv/bin
SEED ?= 1

.PHONY: help browser demo test check speed truth pictures keys soak lock clean firmware

help:
	@echo "make demo    lay down the seedling bench, teach it, check it, run it, write the report (SEED=n)"
	@echo "make test    all checks and tests in their short form"
	@echo "make check   lint, format, types, rooms"
	@echo "make speed   speed ratios beside their goals"
	@echo "make truth   how right predictions are about arms never seen (SEED=n or first:last+1; OTHER=1: of another make)"
	@echo "make firmware  build the controller's program and its simulator; flash, RAM and worst stack"
	@echo "make pictures  draw the pictures in docs/ anew"
	@echo "make keys    write docs/bench.md anew, from where the keys of bench.toml are declared"
	@echo "make soak    the long forms of the tests"
	@echo "make lock    write requirements.lock anew"

.venv/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "handfast needs Python 3.11 or newer; name one: make PYTHON=/path/to/python3 ..."; exit 2; }
	@$(PYTHON) -m venv .venv 2>/dev/null || { rm -rf .venv; \
	  if [ "$$(id -u)" = 0 ]; then apt-get update -q && apt-get install -y -q python3-venv; \
	  elif sudo -n true 2>/dev/null; then sudo apt-get update -q && sudo apt-get install -y -q python3-venv; \
	  else echo "Python's venv module is missing: install the package python3-venv, then try again"; exit 2; fi; \
	  $(PYTHON) -m venv .venv; }

.venv/run.stamp: .venv/bin/python pyproject.toml requirements.lock
	@echo "setting up .venv (once) ..."
	@$(BIN)/pip install -q --disable-pip-version-check -c requirements.lock -e '.[board,page,photo,rehearse]'
	@touch $@

.venv/dev.stamp: .venv/run.stamp
	@echo "setting up .venv for development (once) ..."
	@$(BIN)/pip install -q --disable-pip-version-check -c requirements.lock -e '.[dev]'
	@touch $@

demo: .venv/run.stamp
	@$(BIN)/python examples/demo.py --seed $(SEED)

# The workbench is tested in a real browser, which a fresh machine may have to get first.
browser:
	@if [ -x /usr/bin/chromium ]; then :; \
	elif [ "$$(id -u)" = 0 ]; then apt-get update -q && apt-get install -y -q chromium; \
	elif sudo -n true 2>/dev/null; then sudo apt-get update -q && sudo apt-get install -y -q chromium; \
	else echo "the tests of the workbench need /usr/bin/chromium: install the package chromium, then try again"; exit 2; fi

# An open checker of accessibility rules, for the tests of the workbench.
AXE_VERSION := 4.14.1
.venv/axe/$(AXE_VERSION).stamp: .venv/dev.stamp
	@command -v npm >/dev/null || { echo "the tests of the workbench need npm: install nodejs and npm, then try again"; exit 2; }
	@mkdir -p .venv/axe && npm install --silent --no-audit --no-fund --prefix .venv/axe axe-core@$(AXE_VERSION)
	@touch $@

test: check firmware browser .venv/axe/$(AXE_VERSION).stamp
	$(BIN)/python -m pytest -n 2
	HANDFAST_PLAIN=1 $(BIN)/python -m pytest tests/unit/mechanics -q -k plain

check: .venv/dev.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache --config pyproject.toml | tail -8

speed: .venv/dev.stamp browser
	$(BIN)/python benchmarks/speed.py

truth: .venv/run.stamp
	$(BIN)/python benchmarks/truth.py --seeds $(SEED) $(if $(OTHER),--other-arms)

FIRMWARE_PACKAGES := gcc-avr avr-libc libsimavr-dev libelf-dev build-essential

# Debian packages are installed where root or sudo allows it, else one message says which are missing.
firmware/build/tools.stamp:
	@mkdir -p firmware/build
	@if command -v avr-gcc >/dev/null && [ -e /usr/include/simavr/sim_avr.h ] && [ -e /usr/include/libelf.h ] \
	    && command -v cc >/dev/null; then :; \
	elif [ "$$(id -u)" = 0 ]; then apt-get update -q && apt-get install -y -q $(FIRMWARE_PACKAGES); \
	elif sudo -n true 2>/dev/null; then sudo apt-get update -q && sudo apt-get install -y -q $(FIRMWARE_PACKAGES); \
	else echo "the tools for the firmware are missing: install $(FIRMWARE_PACKAGES), then try again"; exit 2; fi
	@touch $@

firmware: firmware/build/tools.stamp
	@$(MAKE) -s -C firmware size host PYTHON=$(PYTHON)

pictures: .venv/run.stamp
	@rm -rf out/picture-bench
	@$(BIN)/handfast new out/picture-bench
	@$(BIN)/handfast report --bench out/picture-bench --picture docs/pictures/bench.svg

keys: .venv/run.stamp
	@$(BIN)/python -m handfast.bench.keys > docs/bench.md.new && mv docs/bench.md.new docs/bench.md

soak: .venv/dev.stamp firmware browser .venv/axe/$(AXE_VERSION).stamp
	HANDFAST_SOAK=1 $(BIN)/python -m pytest -n 2

lock: .venv/dev.stamp
	$(BIN)/pip install -q pip-tools
	$(BIN)/pip-compile -q --strip-extras --all-extras --no-emit-index-url --no-emit-trusted-host \
	  --no-emit-find-links --no-annotate --no-header -o requirements.lock pyproject.toml
	@sed -i '/^handfast @/d' requirements.lock

clean:
	rm -rf firmware/build .venv .mypy_cache .ruff_cache .import_linter_cache .hypothesis
