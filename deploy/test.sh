#!/bin/sh
# Set up and pass every check and every test.
set -eu
case "${1:-}" in
-h | --help)
    cat <<'TEXT'
usage: sh deploy/test.sh [arguments of pytest]
Makes a virtual environment in .venv (or $TOCSIN_VENV), installs Tocsin with its test
needs (and mosquitto, postgresql, openssl, chromium, its driver, npm and systemd with apt,
where they are missing and root or sudo is there), then runs style, types, import
contracts and all tests. Exit code 0: all passed.
TEXT
    exit 0
    ;;
esac
cd "$(dirname "$0")/.."
. deploy/lib.sh
need mosquitto mosquitto
need initdb postgresql
need openssl openssl
need chromium chromium
need chromedriver chromium-driver
need npm npm
need systemd-analyze systemd
make_venv "[test]"
PATH="$(cd "$VENV" && pwd)/bin:$PATH"
export PATH
# One command a line: `set -e` overlooks all but the last of those joined by &&.
say "style"
ruff check --quiet .
ruff format --check --quiet .
say "types"
mypy
say "import contracts"
if ! lint-imports >/dev/null; then
    lint-imports
    exit 1
fi
say "tests"
python -m pytest -q -n 2 "$@"
say "all passed: style, types, import contracts, tests"
