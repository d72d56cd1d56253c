# make demo        the five-minute tour: a document vetted, an instrument simulated, checked, and a faulty one caught
# make test        the project's own tests
# make lint        ruff and mypy
# make benchmark   ratios against bare loops; writes build/benchmark.json
# make campaign    the long versions: two hundred seeds of the clean instrument, every fault with three, mutants; resumable
# make fuzz        the generated cores under libFuzzer, and which of their lines and branches that reaches
# make readme      renew the outputs that the README shows
# make pictures    renew its pictures; look at them
# make lock        renew .ci/requirements.lock
#
# All but `clean` make a virtual environment in .venv first. `make PYTHON=python3.12 test` picks an interpreter.

PYTHON ?= python3
JOBS ?= $(shell nproc 2>/dev/null || echo 1)
comma := ,
VENV := .venv
PY := $(VENV)/bin/python
LOCK := .ci/requirements.lock
EXTRAS := pictures,tables,automata,mutants,test,dev$(if $(CI),$(comma)reference)

# CI installs exactly what is locked; everybody else anything not older than pyproject.toml says.
export PIP_DISABLE_PIP_VERSION_CHECK := 1

.PHONY: demo test lint benchmark campaign fuzz readme pictures lock wheel clean
.DELETE_ON_ERROR:

demo: $(VENV)/installed
	$(PY) -m wirevow.emu.demo

test: $(VENV)/developing
	$(PY) -m pytest -n $(JOBS) --dist worksteal

lint: $(VENV)/developing
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy

benchmark: $(VENV)/developing
	$(PY) -m tests.benchmark

# make campaign SEEDS=2 EVERY=12 LINES=20000 PUTS=5000 KILLS=20 is a taste of it: few seeds, every twelfth
# fault, few lines.
LINES ?= 400000
PUTS ?= 100000
SIGNALS ?= 1000
PAIRS ?= 600
KILLS ?= 200
TRAFFIC ?= 600
campaign: $(VENV)/developing
	$(PY) -m tests.campaign $(SEEDS) $(EVERY)
	$(PY) -m tests.codegen.differential spec/*.yaml tests/codegen/loft.yaml --lines $(LINES)
	$(PY) -m tests.protocol.client.lossy $(PUTS)
	$(PY) -m tests.protocol.client.lossy $(PUTS) asyncio
	$(PY) -m tests.pairs $(PAIRS)
	$(PY) -m tests.signals $(SIGNALS)
	$(PY) -m tests.emu.recorded $(KILLS)
	$(if $(TRAFFIC),$(PY) -m tests.emu.panel.traffic $(TRAFFIC))
	$(if $(CI),,$(PY) -m tests.campaign.slips tarn --keep build/slips.jsonl)
	$(if $(CI),,$(PY) -m tests.campaign.slips tarn --both --keep build/slips-both.jsonl)
	$(if $(CI),,.ci/debian)

# It goes on from what earlier runs have found (build/fuzz). Needs clang, libclang-rt-dev and llvm.
RUNS ?= 200000
fuzz: $(VENV)/developing
	$(PY) -m tests.codegen.fuzz spec/*.yaml tests/codegen/loft.yaml --runs $(RUNS)

readme: $(VENV)/developing
	$(PY) -m tests.readme

pictures: $(VENV)/developing
	$(PY) -m tests.pictures

wheel: $(VENV)/developing
	rm -rf build/wheel
	$(PY) -m pip wheel -qq --no-deps $(if $(CI),--no-build-isolation) --wheel-dir build/wheel .
	@ls build/wheel/*.whl

# Nothing is installed for it: pip says what it would install. A minute or two.
lock: $(VENV)/made
	$(PY) .ci/lock.py write $(subst $(comma)reference,,$(EXTRAS)),reference

clean:
	rm -rf $(VENV) build dist .mypy_cache .pytest_cache .ruff_cache .hypothesis

$(VENV)/made:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo 'wirevow: Python 3.11 or newer is needed, and $(PYTHON) is not: make PYTHON=/path/to/python3.11 $(MAKECMDGOALS)' >&2; exit 2; }
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null || { \
	  echo 'wirevow: $(PYTHON) cannot make virtual environments: apt-get install python3-venv' >&2; exit 2; }
	@echo 'Making the virtual environment $(VENV) with $(PYTHON)...'
	@rm -rf $(VENV)
	@$(PYTHON) -m venv $(VENV)
	@touch $@

$(VENV)/installed: pyproject.toml $(VENV)/made $(if $(CI),$(LOCK))
	@echo 'Installing Wirevow and what it needs into $(VENV) (a minute or two, once)...'
	@$(PY) $(if $(CI),.ci/lock.py install,-m pip install -qq --editable .)
	@touch $@

$(VENV)/developing: pyproject.toml $(VENV)/made $(if $(CI),$(LOCK))
	@echo 'Installing Wirevow and the tools for its tests into $(VENV) (a minute or two, once)...'
	@$(PY) $(if $(CI),.ci/lock.py install,-m pip install -qq --editable '.[$(EXTRAS)]')
	@touch $@ $(VENV)/installed
