# Sourced by demo.sh and test.sh: installs Debian packages that are missing.
# Nothing is installed when everything is there, so the scripts also run
# without root on a machine that is set up.

# need PACKAGE... : installs the packages that are not installed yet.
need() {
  local missing=()
  local p
  for p in "$@"; do
    dpkg-query -W -f='${Status}' "$p" 2>/dev/null | grep -q 'install ok installed' || missing+=("$p")
  done
  [ "${#missing[@]}" -eq 0 ] && return 0
  command -v apt-get >/dev/null || { echo "these Debian packages are missing, and this system has no apt-get: ${missing[*]}
remedy: install what they hold in your system's own way, or use Debian 12 or newer" >&2; return 1; }
  echo "installing: ${missing[*]}" >&2
  local root=()
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null || { echo "these packages are missing and this user may not install them: ${missing[*]}
remedy: as root, apt-get install ${missing[*]}" >&2; return 1; }
    root=(sudo)
  fi
  # The database package would start a cluster of its own on port 5432; only
  # its programs are wanted.
  if [[ " ${missing[*]} " == *" postgresql "* ]]; then
    "${root[@]}" mkdir -p /etc/postgresql-common
    [ -e /etc/postgresql-common/createcluster.conf ] ||
      echo 'create_main_cluster = false' | "${root[@]}" tee /etc/postgresql-common/createcluster.conf >/dev/null
  fi
  # The same holds for brokers and other servers: none is started by its package.
  local policy=/usr/sbin/policy-rc.d status=0
  (
    if [ ! -e "$policy" ]; then
      trap '"${root[@]}" rm -f "$policy"' EXIT
      printf '#!/bin/sh\nexit 101\n' | "${root[@]}" tee "$policy" >/dev/null
      "${root[@]}" chmod 755 "$policy"
    fi
    "${root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get update -qq &&
      "${root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}"
  ) >&2 || status=$?
  [ "$status" -eq 0 ] || echo "the packages could not be installed: ${missing[*]}
remedy: see the lines of apt-get above" >&2
  return "$status"
}

# need_go : Go must be there, in the version that go.mod names.
need_go() {
  local want said
  want=$(awk '/^go /{print $2}' go.mod)
  command -v go >/dev/null || PATH=$PATH:/usr/local/go/bin
  command -v go >/dev/null || { echo "go is missing
remedy: install Go $want or newer and put it on the PATH" >&2; return 1; }
  said=$(go list -m 2>&1) || { echo "this Go cannot build the program: $said
remedy: install Go $want or newer; here is $(command -v go)" >&2; return 1; }
}

# need_postgres : server programs of PostgreSQL, any version from 14 on.
need_postgres() {
  local d
  for d in /usr/lib/postgresql/*/bin/initdb; do [ -x "$d" ] && return 0; done
  command -v initdb >/dev/null && return 0
  need postgresql
}

# need_openapi_linter : an OpenAPI linter of a named version, below .cache; it is
# an npm package and takes Node.js 20.19 or newer.
need_openapi_linter() {
  local want=2.77.0 home=$PWD/.cache/openapi
  command -v npm >/dev/null || need nodejs npm
  node -e 'const [a, b] = process.versions.node.split(".").map(Number); process.exit(a > 20 || a == 20 && b >= 19 ? 0 : 1)' || {
    echo "Node.js $(node --version) is too old for the OpenAPI linter
remedy: install Node.js 22 with npm and put it on the PATH" >&2; return 1; }
  grep -qs "\"version\": \"$want\"" "$home/node_modules/@redocly/cli/package.json" ||
    npm install --silent --no-audit --no-fund --ignore-scripts --prefix "$home" "@redocly/cli@$want" >&2
}

# need_page_checker : the accessibility checker of the page tests, of a named version,
# below .cache; it is an npm package of one script that the tests load into pages.
need_page_checker() {
  local want=4.10.3 home=$PWD/.cache/axe
  command -v npm >/dev/null || need nodejs npm
  grep -qs "\"version\": \"$want\"" "$home/node_modules/axe-core/package.json" ||
    npm install --silent --no-audit --no-fund --ignore-scripts --prefix "$home" "axe-core@$want" >&2
}
