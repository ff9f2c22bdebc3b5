# Each target makes its own .venv when there is none. Python 3.11 or newer, make and gcc are all that is needed.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check

.PHONY: demo test test-kernel test-page lint bench docs-pictures docs-settings docs-tuning docs-commissioning docs-campaign docs-faults clean
.DEFAULT_GOAL := demo

demo: $(VENV)/.sim-installed  ## 120 days under every policy but the searched one: table, picture and season.json in out/
	$(BIN)/warmheap simulate scenarios/mild-wet-winter.toml --days 120 --compare --out out

test: $(VENV)/.dev-installed
	$(BIN)/python -m pytest -n 2 --cov --cov-report=
	@echo "== the tests marked pure once more, uncompiled, so that coverage sees into the kernel"
	WARMHEAP_UNCOMPILED=1 $(BIN)/python -m pytest -q -n 2 -m pure --cov --cov-append --cov-report=term --cov-fail-under=90

test-kernel: $(VENV)/.dev-installed  ## the board's side on a real kernel in an emulated machine: Debian 12 on x86, eight to fifteen minutes
	WARMHEAP_KERNEL_RIG=1 $(BIN)/python -m pytest tests/kernel -p no:randomly

lint: $(VENV)/.dev-installed
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(VENV)/.dev-installed
	@for script in $(filter-out bench/page_axe.py,$(wildcard bench/*.py)); do echo "== $$script"; $(BIN)/python $$script || exit 1; done

test-page: $(VENV)/.dev-installed  ## the status page in a real browser; needs chromium, chromedriver and npm
	mkdir -p build/axe
	test -f build/axe/package/axe.min.js || (cd build/axe && npm pack --silent axe-core@4.14.1 && tar xzf axe-core-4.14.1.tgz)
	$(BIN)/python bench/page_axe.py build/axe/package/axe.min.js out/page

docs-pictures: $(VENV)/.sim-installed  ## the pictures that the README shows
	$(BIN)/warmheap simulate scenarios/mild-wet-winter.toml --days 120 --compare --out out/docs
	cp out/docs/season.png out/docs/compare.png docs/

docs-settings: $(VENV)/.sim-installed  ## the reference page of the settings file, from its table
	$(BIN)/python -m warmheap.settings_page > docs/settings.md

docs-tuning: $(VENV)/.sim-installed  ## the picture of docs/tuning.md
	$(BIN)/warmheap tune scenarios/mild-wet-winter.toml --out out/tuning
	cp out/tuning/tuning.png docs/tuning.png

docs-commissioning: $(VENV)/.sim-installed  ## the picture of docs/commissioning.md
	mkdir -p out/commissioning
	$(BIN)/warmheap commission --plant scenarios/mild-wet-winter.toml --core-k 2 --state out/commissioning --picture out/commissioning/commissioning.png
	cp out/commissioning/commissioning.png docs/commissioning.png

docs-campaign: $(VENV)/.sim-installed  ## the picture of docs/campaigns.md
	rm -f out/docs/campaign.sqlite
	mkdir -p out/docs
	$(BIN)/warmheap campaign seasons scenarios/mild-wet-winter.toml --seasons 12 --days 45 --policy warmheap thermostat steady --out out/docs/campaign.sqlite
	cp out/docs/campaign.png docs/campaign.png

docs-faults: $(VENV)/.sim-installed  ## docs/faults.md, from the code and a campaign of 10,002 episodes (two hours on two cores, and up to six)
	mkdir -p out/docs/faults
	for scenario in mild-wet-winter hard-northern-winter small-pile; do \
	  $(BIN)/warmheap campaign faults $$scenario --episodes 3334 --seed 41 --shrink 0 --out out/docs/faults/$$scenario.sqlite || exit 1; \
	  $(BIN)/warmheap campaign faults $$scenario --faultless --episodes 16 --seed 42 --out out/docs/faults/$$scenario-sound.sqlite || exit 1; \
	done
	$(BIN)/python -m sim.campaign_faults_page out/docs/faults/*.sqlite > docs/faults.md

clean:
	rm -rf $(VENV) out build *.egg-info .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis .coverage
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "warmheap needs Python 3.11 or newer; $(PYTHON) is $$($(PYTHON) -V 2>&1)."; \
	  echo "Name another one: make PYTHON=/path/to/python3.11"; exit 1; }
	@echo "== making $(VENV)"
	@$(PYTHON) -m venv $(VENV) || $(PYTHON) -m virtualenv $(VENV) || { rm -rf $(VENV); \
	  echo "Could not make $(VENV). On Debian: sudo apt install python3-venv"; exit 1; }

$(VENV)/.sim-installed: pyproject.toml | $(BIN)/python
	@echo "== installing the simulator's packages (about a minute the first time)"
	$(PIP) install -e '.[sim,page]'
	@touch $@

$(VENV)/.dev-installed: pyproject.toml | $(BIN)/python
	@echo "== installing the simulator's and the tests' packages (about two minutes the first time)"
	$(PIP) install -e '.[sim,dev]'
	@touch $@ $(VENV)/.sim-installed
