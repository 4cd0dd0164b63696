SHELL := /bin/bash
VENV := .venv
PY := $(VENV)/bin/python
DATA_DIR ?= $(CURDIR)/var
PORT ?= 8000
export DATA_DIR

.PHONY: venv demo serve demo-reset test test-long bench check lock browser

venv: $(VENV)/.installed-$(shell cat requirements-dev.txt | sha256sum | cut -c1-16)

# The stamp carries the digest of the lock file: a changed lock installs again, an unchanged one costs nothing.
$(VENV)/.installed-%:
	@test -x $(PY) || python3 -m venv $(VENV)
	$(PY) -m pip install --quiet --disable-pip-version-check --require-hashes --only-binary :all: -r requirements-dev.txt
	@rm -f $(VENV)/.installed-*; touch $@

$(VENV)/.runtime-%:
	@test -x $(PY) || python3 -m venv $(VENV)
	@echo "Installing what it stands on ..."
	$(PY) -m pip install --quiet --disable-pip-version-check --require-hashes --only-binary :all: -r requirements.txt
	@rm -f $(VENV)/.runtime-*; touch $@

demo: $(VENV)/.runtime-$(shell cat requirements.txt | sha256sum | cut -c1-16)
	@$(PY) -m reports.demo.serve --port $(PORT)

serve: $(VENV)/.runtime-$(shell cat requirements.txt | sha256sum | cut -c1-16)
	@$(PY) -m reports.demo.serve --port $(PORT) --without-demo

demo-reset:
	@rm -rf $(DATA_DIR)
	@echo "The demo club is gone; make demo fills a new one."

# Chromium and ffmpeg are found, or installed by apt as root; without them the tests that need them do not run and say so.
browser:
	@{ command -v chromium && command -v ffmpeg; } >/dev/null || { [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null \
	  && apt-get update -qq && apt-get install -y -qq chromium ffmpeg >/dev/null; } || true

test: venv browser
	$(PY) -m pytest -q -n 3 --dist loadscope -m "not long and not bench" $(ARGS)

test-long: venv browser
	$(PY) -m pytest -q -m "long and not bench" $(ARGS)

bench: venv
	OMP_NUM_THREADS=1 $(PY) -m pytest -q -s -m bench tests/bench $(ARGS)

check: export SECRET_KEY := made-only-to-let-the-checks-run-0123456789-abcdefghijkl
check: venv
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports
	$(VENV)/bin/djlint --lint --quiet clubcoach/templates players/templates sessions/templates reports/templates
	$(PY) manage.py compile_templates
	$(PY) manage.py makemigrations --check --dry-run
	SITE_URL=https://club.example $(PY) manage.py check --deploy --fail-level WARNING
	SITE_URL=https://club.example $(PY) manage.py spectacular --validate --fail-on-warn --file $$(mktemp)

lock: venv
	$(VENV)/bin/uv pip compile --generate-hashes --universal --no-header --python-version 3.11 pyproject.toml -o requirements.txt
	$(VENV)/bin/uv pip compile --generate-hashes --universal --no-header --python-version 3.11 -c requirements.txt --extra test --extra dev pyproject.toml -o requirements-dev.txt
