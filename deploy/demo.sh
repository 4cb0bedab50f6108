#!/usr/bin/env bash
# Shows curetally whole on one machine: installs what is missing, builds, and
# runs the demo plant. Arguments go to "curetally demo", for example --for 20s;
# paths among them are relative to where the script was called.
set -euo pipefail
from=$PWD
cd "$(dirname "${BASH_SOURCE[0]}")/.."
. deploy/need.sh
need_go
need_postgres
echo "building curetally" >&2
go build -o curetally ./cmd/curetally
program=$PWD/curetally
cd "$from"
exec "$program" demo "$@"
