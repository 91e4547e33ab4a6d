# shellcheck shell=sh
# What demo.sh and test.sh share: a virtual environment that fits this checkout.
# POSIX sh; sourced, with the repository as the working directory.

VENV=${TOCSIN_VENV:-.venv}

say() { printf 'tocsin: %s\n' "$*"; }

fail() {
    printf 'tocsin: %s\n' "$*" >&2
    exit 1
}

# apt_install PACKAGE...: with root or sudo that asks nothing; else say what is missing.
apt_install() {
    if command -v apt-get >/dev/null 2>&1; then
        if [ "$(id -u)" -eq 0 ]; then
            as_root=
        elif command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
            as_root=sudo
        else
            fail "missing: $*. Install with: sudo apt install $*"
        fi
        say "installing with apt: $*"
        if ! $as_root apt-get update -qq ||
            ! $as_root env DEBIAN_FRONTEND=noninteractive apt-get install -qq -y "$@" >/dev/null; then
            fail "apt could not install: $*"
        fi
    else
        fail "missing: $*. Install them with this system's package manager"
    fi
}

# need PROGRAM PACKAGE: see that PROGRAM is there, also where Debian hides some.
need() {
    PATH="$PATH:/usr/sbin:/sbin$(printf ':%s' /usr/lib/postgresql/*/bin)" command -v "$1" >/dev/null 2>&1 || apt_install "$2"
}

find_python() {
    for PYTHON in "${PYTHON:-}" python3 python3.13 python3.12 python3.11; do
        [ -n "$PYTHON" ] || continue
        if "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            return
        fi
    done
    fail "Python 3.11 or newer is needed (Debian 12, Raspberry Pi OS 12 or newer have it)"
}

# make_venv EXTRAS: make or refresh $VENV with this checkout installed in it.
make_venv() {
    extras=$1
    find_python
    stamp="$VENV/tocsin-stamp"
    want="$(cksum <pyproject.toml) $extras $(pwd)"
    if [ -x "$VENV/bin/python" ] && [ "$(cat "$stamp" 2>/dev/null)" = "$want" ]; then
        return
    fi
    "$PYTHON" -c 'import ensurepip, venv' 2>/dev/null || apt_install python3-venv
    say "making the virtual environment in $VENV (a minute or two the first time)"
    [ -x "$VENV/bin/python" ] || "$PYTHON" -m venv "$VENV" ||
        fail "cannot make $VENV here; name another place with TOCSIN_VENV=/some/folder"
    "$VENV/bin/python" -m pip install --quiet --disable-pip-version-check \
        --editable ".$extras" || fail "pip could not install; see above"
    printf '%s' "$want" >"$stamp"
}
