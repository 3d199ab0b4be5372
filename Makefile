# Two commands: `make run` (the main job on an example) and `make test`. Needs Python 3.11 or newer with venv, and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DESIGN ?= examples/skiff.yaml
export OPENBLAS_NUM_THREADS := 1

.PHONY: run test bench docs lint page clean

run: $(VENV)/core.stamp
	@$(BIN)/evenfield predict $(DESIGN) --report out || test $$? -eq 1

test: $(VENV)/test.stamp
	$(BIN)/ruff check src tests benchmarks
	$(BIN)/mypy
	@# the CAD kernel and the magnetics' mesher bring the same library twice: they cannot share a process
	$(BIN)/python -m pytest tests/solid
	$(BIN)/python -m pytest --ignore=tests/solid

bench: $(VENV)/test.stamp
	$(BIN)/python -m benchmarks

docs: $(VENV)/docs.stamp
	$(BIN)/mkdocs build --strict --quiet

page: web/node_modules/.package-lock.json
	cd web && npm run --silent build

web/node_modules/.package-lock.json: web/package.json web/package-lock.json
	cd web && npm ci --silent

lint: $(VENV)/test.stamp
	$(BIN)/ruff check src tests benchmarks
	$(BIN)/ruff format --check src tests benchmarks
	$(BIN)/mypy

$(VENV)/core.stamp: pyproject.toml constraints.txt
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Setting up evenfield in $(VENV) (once)"
	@$(BIN)/pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	@touch $@

$(VENV)/test.stamp: $(VENV)/core.stamp
	@$(BIN)/pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[test,motor,solid]"
	@touch $@

$(VENV)/docs.stamp: $(VENV)/core.stamp
	@$(BIN)/pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[docs]"
	@touch $@

clean:
	rm -rf $(VENV) build dist site out .mypy_cache .ruff_cache .pytest_cache
