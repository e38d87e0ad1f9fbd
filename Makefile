# setup, demo, test, bench and soak are all there is to know.
PYTHON ?= python3
BIN := .venv/bin
SOURCES := src tests benchmarks

.PHONY: setup demo test lint browser bench soak lock

setup: .venv/ready

.venv/ready: requirements/bootstrap.txt requirements/dev.txt pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/pip install --quiet --require-hashes -r requirements/bootstrap.txt
	$(BIN)/uv pip sync --quiet --python $(BIN)/python --require-hashes requirements/dev.txt
	$(BIN)/uv pip install --quiet --python $(BIN)/python --no-deps --no-build-isolation --editable .
	touch .venv/ready

demo: setup
	$(BIN)/heapwright demo --prepare
	$(BIN)/heapwright demo

lint: setup
	$(BIN)/ruff check $(SOURCES)
	$(BIN)/ruff format --check $(SOURCES)
	$(BIN)/mypy
	$(BIN)/lint-imports

test: lint browser
	$(BIN)/pytest -n auto -m "not soak"

browser:
	.ci/browser

bench: setup
	$(BIN)/python -m benchmarks

soak: setup
	$(BIN)/pytest -m soak

# Renew the lock files: hashes for every file, no index address.
lock: setup
	$(BIN)/uv pip compile --quiet --generate-hashes --no-emit-index-url --no-header --universal \
	    --python-version 3.11 --group dev pyproject.toml -o requirements/dev.txt
	$(BIN)/uv pip compile --quiet --generate-hashes --no-emit-index-url --no-header --universal \
	    --python-version 3.11 requirements/bootstrap.in -o requirements/bootstrap.txt
