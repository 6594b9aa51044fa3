# Every target does its own set-up: a fresh machine needs python3 (3.11 or newer), pip and make, nothing else.
PYTHON ?= python3
VENV := .venv
PY := $(VENV)/bin/python
STAMP := $(VENV)/.ready

.PHONY: setup system demo test test-proofs test-vm bench release check lint types imports format clean

setup: $(STAMP)

$(STAMP): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(PY) -m pip install --quiet --upgrade "pip>=25.1"
	$(PY) -m pip install --quiet --editable ".[collector,postgresql,tls,apprise]" --group dev
	@touch $(STAMP)

# Debian packages the demo and the tests use where they may be installed; without root it says what is missing.
system:
	@sh deploy/system-packages.sh test

demo: setup
	@sh deploy/system-packages.sh demo
	@$(PY) -m sample_fleet demo

# Most of the time goes into waiting, so two run side by side: the stand-in drives in one hand, each file in one.
BESIDE := --numprocesses 2 --dist loadgroup --no-loadscope-reorder
test: setup
	@sh deploy/system-packages.sh test
	$(PY) -m pytest -m "not vm and not proof" $(BESIDE) --timeout=300 $(ARGS)

# What takes long because it repeats: hundreds of tries, dozens of takes, probes of several gigabytes.
test-proofs: setup
	@sh deploy/system-packages.sh test
	$(PY) -m pytest -m proof --timeout=900 $(ARGS)

# Two guests at a time, each module's tests on one of them: a guest mostly waits for what it is held to.
test-vm: setup
	@sh deploy/system-packages.sh vm
	$(PY) -m pytest -m vm --numprocesses 2 --dist loadscope --no-loadscope-reorder --timeout=2700 $(ARGS)

bench: setup
	@sh deploy/system-packages.sh test
	$(PY) -m tests.bench $(if $(ONLY),--only $(ONLY))

# dist/: wheel and sdist, a lock with hashes, a bill of materials, checksums.
release: setup
	rm -rf dist
	@PYTHON=$(PY) sh deploy/make-release.sh dist

lint: setup
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/interrogate -q agent collector sample_fleet tests

types: setup
	$(VENV)/bin/mypy agent collector sample_fleet

imports: setup
	$(VENV)/bin/lint-imports

check: lint types imports

format: setup
	$(VENV)/bin/ruff format .
	$(VENV)/bin/ruff check --fix .

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache build dist
