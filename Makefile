# Ringwright's house-keeping. Each Python brings one host: 3.11 brings 4.5, 3.13 brings 5.2.
SHELL := bash
.SHELLFLAGS := -euo pipefail -c
.ONESHELL:
.SILENT:
.DEFAULT_GOAL := help
.PHONY: help setup test test-all window-test demo demo-real bench lint package

VERSIONS := 3.11 3.13
FOUND := $(foreach version,$(VERSIONS),$(if $(shell .ci/find-python $(version)),$(version)))
MISSING := $(filter-out $(FOUND),$(VERSIONS))
host = $(if $(filter 3.11,$(1)),4.5,5.2)
python = .venv/$(firstword $(FOUND))/bin/python

help:
	echo "make setup      environments for every Python found: $(or $(FOUND),none)"
	echo "make test       lint, type check and quick tests on every host found"
	echo "make test-all   the same with the slow tests and the open data"
	echo "make window-test  a real editor window, driven by simulated events; EDITOR=COMMAND names the editor (default: blender)"
	echo "make demo       the demo end to end; REAL=1 builds on the open human base mesh instead"
	echo "make bench      speed and memory, as ratios"
	echo "make lint       lint and type check alone"
	echo "make package    the extension's zip under dist/"

setup: $(FOUND:%=.venv/%/.installed)
	if [[ -z "$(FOUND)" ]]; then
	  echo "Ringwright needs Python 3.11 or 3.13 with venv and pip: install one from python.org, your system's packages or a version manager, then run make again." >&2
	  exit 1
	fi

.venv/%/.installed: pyproject.toml .ci/environment
	.ci/environment $*

lint: setup
	if [[ -x .venv/3.11/bin/ruff ]]; then
	  mkdir -p build/type-check
	  ln -sfn ../.. build/type-check/ringwright
	  .venv/3.11/bin/ruff check .
	  .venv/3.11/bin/mypy -p ringwright.core -p ringwright.addon
	else
	  echo "lint and type check skipped: they run on Python 3.11, which was not found"
	fi

test: SELECT := -m "not slow and not window"
test test-all: lint $(FOUND:%=on-host-%)
	$(foreach version,$(MISSING),echo "== host $(call host,$(version)) SKIPPED: no Python $(version) that runs was found";)

on-host-%: lint
	echo "== host $(call host,$*) (Python $*)"
	.venv/$*/bin/python -m pytest -q $(SELECT) $(ARGS)

window-test: EDITOR ?= blender
window-test: setup
	if ! command -v $(firstword $(EDITOR)) >/dev/null; then
	  echo "window test SKIPPED: no editor $(firstword $(EDITOR)) was found; name one with EDITOR=COMMAND"
	  exit 0
	fi
	if [[ "$(EDITOR)" == blender && "$$(uname)" == Linux && -z "$${DISPLAY:-}$${WAYLAND_DISPLAY:-}" ]]; then
	  echo "window test SKIPPED: there is no display to open a window on"
	  exit 0
	fi
	if ! $(EDITOR) --version 2>/dev/null </dev/null | grep -q "^Blender"; then
	  echo "window test SKIPPED: $(EDITOR) is no editor for 3D scenes; name one with EDITOR=COMMAND"
	  exit 0
	fi
	$(MAKE) --no-print-directory package build/demo/forelimb.blend
	RINGWRIGHT_EDITOR="$(EDITOR)" $(python) -m pytest -q tests/window $(ARGS)
	echo "Photographs: build/window"

build/demo/forelimb.blend:
	$(MAKE) --no-print-directory demo REAL=

demo: setup
	$(if $(REAL),$(MAKE) --no-print-directory demo-real,$(dir $(python))ringwright demo --out build/demo)

demo-real: setup
	PYTHONPATH=tests $(python) -m support.real_cases build/real
	for case in build/real/*/; do
	  echo "== $$case"
	  code=0
	  $(dir $(python))ringwright build "$$case/plan.toml" --target "$$case/target.obj" --out "$$case/cage.blend" --report "$$case/report" || code=$$?
	  [[ $$code -le 1 ]] || exit $$code
	  echo "Cage: $$case"cage.blend
	  echo "Report: $$case"report/report.html
	done

bench: setup
	for script in tests/bench_*.py; do
	  echo "== $$script"
	  PYTHONPATH=tests $(python) "$$script" $(ARGS)
	done

package: setup
	mkdir -p dist
	tool=$$($(python) -c 'import importlib.util, pathlib; root = pathlib.Path(importlib.util.find_spec("bpy").origin).parent; print(next(root.glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py")))')
	$(python) "$$tool" validate .
	$(python) "$$tool" build --source-dir . --output-dir dist
