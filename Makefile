# Herdbook. `make help` lists the targets; `make demo` and `make test` do all their set-up in .venv, nothing global.
PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check install -q -c constraints.txt
HERDBOOK := $(BIN)/herdbook
export PREFECT_SERVER_ANALYTICS_ENABLED := false
export DO_NOT_TRACK := 1
export PYTHONDONTWRITEBYTECODE :=  # else every start of a command compiles all of it anew

.PHONY: help demo test lint types tests slow fuzz large browser bench physics campaign coverage evaluate sources audit sbom pins docs readme clean

help: ## list the targets
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:[^#]*## /\t/' | expand -t 12

demo: .venv/run.stamp ## take in the demo fleet, scan it, write a dossier, a history and the fleet page
	@$(BIN)/python -m compileall -q decoders pipeline flows  # as pip does on installing: a second less for every command
	@sh demo_logs/demo.sh $(HERDBOOK) build/demo

test: lint types tests ## lint, types and the default tests

lint: .venv/test.stamp ## ruff: rules and format
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check -q . || { echo "Not formatted as the rest: .venv/bin/ruff format . does it."; exit 1; }

types: .venv/test.stamp ## mypy --strict
	@MYPYPATH=.venv/names $(BIN)/mypy -n 2 -p herdbook -p demo_logs -p tests

tests: .venv/test.stamp sources ## the default tests, in parallel
	@$(BIN)/pytest -q -n 2 --dist worksteal -m "not slow"

slow: .venv/test.stamp sources ## the tests that take minutes: 200 kills, large logs, clusters
	@$(BIN)/pytest -q -m slow

fuzz: .venv/test.stamp ## damaged logs of every format, HERDBOOK_FUZZ inputs each (1000)
	@$(BIN)/python -m tests.decoders.fuzz --inputs $(or $(HERDBOOK_FUZZ),1000) --seed $(or $(HERDBOOK_SEED),1)

large: .venv/test.stamp ## a log of HERDBOOK_LARGE_GB (4) made, decoded in under 1 GB of memory, removed
	@$(BIN)/python -m tests.decoders.large --gb $(or $(HERDBOOK_LARGE_GB),4)

physics: .venv/test.stamp ## estimators against a physics model of an LFP cell (a venv of its own, about 800 MB, in build/)
	@test -f build/pybamm/complete || { $(PYTHON) -m venv --clear build/pybamm && build/pybamm/bin/python -m pip --disable-pip-version-check install -q pybamm==26.10.1.1 && touch build/pybamm/complete; }
	@test -f build/physics/trip.csv -a -f build/physics/steps.csv -a -f build/physics/string.csv -a -f build/physics/by_temp.csv -a -f build/physics/spans.csv || PYBAMM_DISABLE_TELEMETRY=true build/pybamm/bin/python tests/external/battery_physics.py build/physics
	@$(BIN)/pytest -q -s tests/external/test_battery_physics.py

sources: .venv/test.stamp ## fetch the outside reference files (cached in build/sources, checked by hash)
	@{ $(BIN)/python tests/external/fetch.py && $(BIN)/python tests/reports/fetch_axe.py; } || \
	  { echo "Not all reference files are here; tests that need one say that they skip."; test -z "$$CI"; }

evaluate: demo ## judge the demo scan against the simulator's truth file
	@$(BIN)/python -m demo_logs.evaluate --store build/demo/store --truth demo_logs/truth.json

bench: .venv/test.stamp ## measure, as ratios against a peer in the same run
	@for b in tests/bench/*.py; do echo "== $$b"; $(BIN)/python $$b --out build/bench || exit 1; done

campaign: .venv/test.stamp ## the labelled campaign: how often each rule is right
	@$(BIN)/python -m demo_logs.campaign --out build/campaign

coverage: .venv/test.stamp ## how often each stated 95 % interval holds the truth; writes tests/coverage/TABLE.md (about 15 minutes)
	@$(BIN)/python -m tests.coverage

audit: .venv/test.stamp ## known vulnerabilities in the pinned packages; ADVISORIES=FILE asks no service
ifdef ADVISORIES
	@$(BIN)/python -m tests.audit --advisories "$(ADVISORIES)"
else
	@$(BIN)/python -m venv --clear build/audit && build/audit/bin/pip install -q pip-audit || echo "The audit tool could not be installed." >&2
	@$(BIN)/python -m tests.audit build/audit/bin/pip-audit
endif

sbom: .venv/test.stamp ## the bill of materials (CycloneDX) and the licences of all dependencies, into build/bill
	@$(BIN)/python -m tests.bill build/bill

pins: ## write constraints.txt anew from the newest versions that pyproject allows
	@rm -rf build/pins && $(PYTHON) -m venv build/pins && build/pins/bin/pip install -q '.[test]'
	@{ echo '# Exact versions that Herdbook is developed and tested with. Made anew by: make pins'; \
	  build/pins/bin/pip freeze --all --exclude herdbook --exclude pip | grep -v ' @ '; } > constraints.txt

docs: .venv/test.stamp ## the documents as a site that opens offline, in build/docs/site
	@$(BIN)/python -m tests.docs build/docs

readme: .venv/test.stamp ## run the commands in README.md and write anew what they print
	@$(BIN)/python -m tests.readme

clean: ## remove the venv and everything built
	rm -rf .venv build .mypy_cache .ruff_cache .pytest_cache .hypothesis

.venv/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Herdbook needs Python 3.11 or newer; name one with: make PYTHON=python3.12 ..."; exit 2; }
	@$(PYTHON) -m venv .venv || { rm -rf .venv; echo "No venv module: on Debian run 'apt-get install python3-venv', then try again."; exit 2; }

.venv/run.stamp: .venv/bin/python pyproject.toml setup.py constraints.txt
	@echo "setting up .venv (once; a minute or two)"
	@$(PIP) -e .
	@touch $@

.venv/test.stamp: .venv/run.stamp
	@echo "adding all extras and the test tools to .venv (a few minutes)"
	@$(PIP) -e ".[test]"
	@mkdir -p .venv/names/herdbook && ln -sfn ../../../decoders ../../../pipeline ../../../flows .venv/names/herdbook/  # for mypy, which
	@ln -sf $(patsubst %,../../../%,$(wildcard pipeline/api/*.py) pipeline/api/py.typed) .venv/names/herdbook/  # reads folders, not installers
	@touch $@
