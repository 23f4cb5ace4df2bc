# A fresh machine needs Python 3.11, Node 20, gcc and make; everything else is set up from here.
PYTHON ?= python3.11
BIN := .venv/bin
INSTALLED := .venv/.installed
WEB := miner/review/web
WEB_SOURCES := $(shell find $(WEB) -type f -not -path '*/node_modules/*' 2>/dev/null)
WEB_BUILT := $(if $(wildcard $(WEB)/package.json),miner/review/static/.built)
WORKERS ?= 2
export TZ := UTC

.PHONY: demo test lint bench web tables install

demo: install web
	$(BIN)/ignition-miner demo
	@echo
	@echo 'Next: "source .venv/bin/activate" puts ignition-miner on the path of this shell.'

test: install web
	$(BIN)/python -m pytest -n $(WORKERS)

lint: install web
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest tests/test_house.py -p no:randomly
	$(if $(WEB_BUILT),cd $(WEB) && npm run check)

# What is measured here is written for a machine that has nothing else to do; bench_review looks at an hour of the demo.
BENCHES := $(filter-out review,$(patsubst tests/performance/bench_%.py,%,$(wildcard tests/performance/bench_*.py)))

bench: install web
	for name in $(BENCHES); do echo "== $$name"; $(BIN)/python -m tests.performance.bench_$$name || exit 1; done
	$(BIN)/ignition-miner demo --minutes 60 --out demo_output/hour
	$(BIN)/python -m tests.performance.bench_review demo_output/hour/findings

tables: install
	$(BIN)/python -c "from pathlib import Path; from miner.findings.tables_page import tables_page; \
	    Path('docs/tables.md').write_text(tables_page(), encoding='utf-8', newline='\n')"

install: $(INSTALLED)

web: $(WEB_BUILT)

$(INSTALLED): pyproject.toml .ci/constraints.txt
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c .ci/constraints.txt -e '.[cluster,dev]'
	touch $@

miner/review/static/.built: $(WEB_SOURCES)
	cd $(WEB) && npm ci --no-audit --no-fund && npm run build
	touch $@
