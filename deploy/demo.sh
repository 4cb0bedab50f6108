#!/usr/bin/env bash
# Shows curetally whole on one machine: installs what is missing, builds, and
# runs the demo plant. Arguments go to "curetally demo", for example --for 20s.
set -euo pipefail
cd "$(dirname "$0")/.."
. deploy/need.sh
need_go
need_postgres
echo "building curetally" >&2
go build -o curetally ./cmd/curetally
exec ./curetally demo "$@"
