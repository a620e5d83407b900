# Two commands for a fresh clone: `make demo` measures a sample photo, `make test` runs the quick test set.
# Each builds an environment of its own; only Python 3.11+, make and a C library are needed.
PYTHON ?= python3
DEMO_ENV := build/demo-env
TEST_ENV := build/test-env
DEMO_OUT := build/demo
DEMO_PHOTO := sample_images/dreadnought-upbow.jpg

.PHONY: demo test lint clean

demo: $(DEMO_ENV)/ready
	@mkdir -p $(DEMO_OUT)
	@$(DEMO_ENV)/bin/lightgap measure $(DEMO_PHOTO) --scale-length 645 --reference card \
		--straightedge-height 30 --straightedge-thickness 3 --chord 1-16 \
		--json $(DEMO_OUT)/profile.json --overlay $(DEMO_OUT)/overlay.png --report $(DEMO_OUT)/report.html
	@$(DEMO_ENV)/bin/lightgap advise $(DEMO_OUT)/profile.json --family acoustic --rod unknown
	@echo "Written: $(DEMO_OUT)/overlay.png  $(DEMO_OUT)/profile.json  $(DEMO_OUT)/report.html"

test: $(TEST_ENV)/ready
	$(TEST_ENV)/bin/python -m pytest -n 2 -m "not slow"

lint: $(TEST_ENV)/ready-lint
	$(TEST_ENV)/bin/ruff check .
	$(TEST_ENV)/bin/ruff format --check .
	rm -rf build/types && $(TEST_ENV)/bin/python -m pip install -q --no-deps --target build/types .
	cd build && MYPYPATH=types ../$(TEST_ENV)/bin/mypy --config-file ../pyproject.toml --strict -p lightgap

$(DEMO_ENV)/ready: pyproject.toml
	$(PYTHON) -m venv $(DEMO_ENV)
	$(DEMO_ENV)/bin/python -m pip install -q .
	@touch $@

$(TEST_ENV)/ready: pyproject.toml
	$(PYTHON) -m venv $(TEST_ENV)
	$(TEST_ENV)/bin/python -m pip install -q -e '.[test]'
	@touch $@

$(TEST_ENV)/ready-lint: $(TEST_ENV)/ready
	$(TEST_ENV)/bin/python -m pip install -q -e '.[test,lint]'
	@touch $@

clean:
	rm -rf build
