# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later

# The two front doors:  make demo   (see it work)      make test   (prove it)
#
# PYTHON=/path/to/python3 chooses the interpreter (3.11 or newer).
# ARGS='-k name' goes to pytest in unit, lab, lab-long, bench, fuzz and layout-long.
# SANITY=sanity-ends makes 'test' use the oldest and the newest supported ansible-core, as continuous integration
# does; sanity-all uses all of them.

SHELL := /bin/bash
.DEFAULT_GOAL := help
.DELETE_ON_ERROR:

RUN    := tests/tools/with-venv run
WITH   := tests/tools/with-venv test
LAYERS := $(WITH) python -m tests.tools.layers
PYTEST := $(WITH) python -m pytest
ARGS   ?=
SANITY ?= sanity
# RELEASE=bookworm gives every machine of the lab's tests that Debian release.
export EVENKEEL_LAB_RELEASE := $(RELEASE)
export PYTEST_ADDOPTS := $(PYTEST_ADDOPTS) $(ARGS)
export PYTHONDONTWRITEBYTECODE := 1

.PHONY: help
help: ## Say what can be made
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "make %-13s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

.PHONY: demo
demo: lab-packages ## Boot a virtual server, build a pool on it, pull a drive, see it hold
	@$(RUN) python tests/lab/demo.py

.PHONY: test
test: lab-packages ## Run every layer: lint, types, unit, sanity, package, browser, lab
	@$(LAYERS) lint types unit package+browser lab+$(SANITY)

.PHONY: lint types unit sanity sanity-all sanity-ends package browser
lint: ## Read all files for faults (styles, documents, licences, changelog)
types: ## Check static types
unit: check-packages ## Run the tests that need no host
sanity: ## Run ansible-test sanity under the pinned ansible-core
sanity-all: ## Run ansible-test sanity under every supported ansible-core
sanity-ends: ## Run ansible-test sanity under the oldest and the newest of them
package: ## Build the artefact, import it, install it elsewhere and run from there
browser: ## Look at the report in a real browser (Chromium)
lint types unit sanity sanity-all sanity-ends package browser:
	@$(LAYERS) $@

.PHONY: lab
lab: lab-packages ## Run the tests in the virtual machine
	@$(LAYERS) lab

.PHONY: lab-long
lab-long: lab-packages ## Run the long tests in the virtual machine
	@$(PYTEST) tests/lab -m lab_long -v

.PHONY: faults
faults: lab-packages ## Put every fault into every stage (hours; goes on where it was cut off) and write the page
	@$(WITH) python -m tests.lab.faults.matrix --page docs/reliability-evidence.md $(ARGS)

.PHONY: replace-long
replace-long: lab-packages ## Replace every drive of twelve, one after another; results in tests/output/every-drive.json
	@$(PYTEST) tests/lab/test_replacement.py -m lab_long -k every_drive -v -s

.PHONY: every-layout
every-layout: lab-packages ## Put every kind of layout to OpenZFS on both Debians; results in tests/output/every-layout-RELEASE.json
	@EVENKEEL_LAB_RELEASE=trixie $(PYTEST) tests/lab/test_every_layout.py -m 'lab or lab_long' -v -s
	@EVENKEEL_LAB_RELEASE=bookworm $(PYTEST) tests/lab/test_every_layout.py -m 'lab or lab_long' -v -s

.PHONY: trial-long
trial-long: lab-packages ## Try 40 seeded chassis in the virtual machine; results in tests/output/trial-matrix.jsonl
	@$(PYTEST) tests/lab/test_trial.py -m lab_long -k seeded -v

.PHONY: bench
bench: ## Measure time and memory
	@$(PYTEST) tests/bench -m bench -v -s

.PHONY: fuzz
fuzz: ## Attack every parser with a million inputs, and run the property tests with many more examples
	@tests/tools/with-venv fuzz python -m tests.fuzz --page docs/hostile-input.md
	@$(PYTEST) tests/unit -m 'not lab and not lab_long and not bench' --hypothesis-profile fuzz

.PHONY: layout-long
layout-long: ## Run the long tests of the layout; 20,000 random chassis first, on both cores
	@$(PYTEST) tests/unit/layout/test_random_chassis.py -m long -n 2 --dist worksteal --durations 5 || [ $$? -eq 5 ]
	@$(PYTEST) tests/unit -m long -v --durations 20 --ignore tests/unit/layout/test_random_chassis.py || [ $$? -eq 5 ]

.PHONY: prove-net
prove-net: ## Break each check on purpose, in a copy, and see it go red
	@$(WITH) python -m tests.tools.prove_net

.PHONY: format
format: ## Bring files into the one style, and give them the licence lines they lack
	@$(WITH) python -m tests.tools.add_headers
	@$(WITH) ruff check --config tests/config/ruff.toml --fix --quiet . || true
	@$(WITH) ruff format --config tests/config/ruff.toml .

.PHONY: pins
pins: ## Write tests/config/constraints.txt again after a change of a requirement
	@tests/tools/pins

.PHONY: check-packages lab-packages
check-packages:
	@tests/tools/packages tests/config/packages.txt

lab-packages:
	@tests/tools/packages tests/config/packages.txt tests/lab/packages.txt

.PHONY: clean
clean: ## Remove what the checks left in the tree (the cache outside it stays)
	@rm -rf .work tests/output .pytest_cache .hypothesis .mypy_cache .ruff_cache
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +
