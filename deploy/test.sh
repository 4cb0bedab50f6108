#!/usr/bin/env bash
# Runs every check and test: installs what is missing, checks format, vets,
# lints, tests with the race detector. Services that the tests need are started
# by the tests themselves.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
. deploy/need.sh
need_go
need_postgres
need git gcc libc6-dev libmodbus-dev socat mosquitto mosquitto-clients prometheus prometheus-alertmanager chromium fonts-dejavu-core python3-aiosmtpd python3-icalendar libreoffice-calc-nogui zsh fish
need_openapi_linter
need_page_checker

step() { printf '\n== %s\n' "$*"; }

step "format"
unformatted=$(gofmt -l cmd internal)
[ -z "$unformatted" ] || { printf 'gofmt would change:\n%s\nremedy: gofmt -w cmd internal\n' "$unformatted"; exit 1; }

step "module files"
go mod tidy -diff

step "vet"
go vet ./...

step "lint"
lint=$PWD/.cache/bin/golangci-lint
[ -x "$lint" ] && "$lint" version 2>/dev/null | grep -q 2.15.0 ||
  GOBIN=$PWD/.cache/bin CGO_ENABLED=0 go install github.com/golangci/golangci-lint/v2/cmd/golangci-lint@v2.15.0
"$lint" run ./...

step "test"
go test -race -timeout 20m ./...

step "done"
echo "all checks passed"
