# Herdbook: every target below lists itself with `make help`.
PY ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: help
help: ## list the targets
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 14
