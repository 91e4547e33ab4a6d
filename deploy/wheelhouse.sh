#!/bin/sh
# Make a folder from which a machine without internet installs Tocsin.
set -eu

usage() {
    cat <<'TEXT'
usage: sh deploy/wheelhouse.sh [options] FOLDER

Makes FOLDER, which must be new: every wheel that Tocsin needs, pip itself, the installer
and SHA-256 sums over all of it. Copy it to the hut; there: sudo sh FOLDER/deploy/install.sh

  --arch ARCH       of the hut's machine: aarch64 (64 bit), armv7l (32 bit) or x86_64;
                    without it that of this machine
  --python VERSION  of the hut: 3.11 (Debian 12) or 3.13 (Debian 13); without it that of
                    this machine. Find both out there: python3 --version; dpkg
                    --print-architecture (arm64 is aarch64, armhf is armv7l)
  --tar             make FOLDER.tar as well

Needs internet, Python with venv here, and no root. Exit codes: 0 done, 1 failed, 2 the
arguments are wrong.
TEXT
}

say() { printf 'tocsin: %s\n' "$*"; }
fail() {
    printf 'tocsin: %s\n' "$*" >&2
    exit 1
}
wrong() {
    printf 'tocsin: %s; see --help\n' "$*" >&2
    exit 2
}

ARCH='' PYTHON='' TAR='' FOLDER=''
while [ $# -gt 0 ]; do
    case $1 in
    -h | --help)
        usage
        exit 0
        ;;
    --tar) TAR=1 ;;
    --arch | --python)
        [ $# -ge 2 ] || wrong "$1 needs a value"
        case $1 in
        --arch) ARCH=$2 ;;
        --python) PYTHON=$2 ;;
        esac
        shift
        ;;
    -*) wrong "unknown option $1" ;;
    *)
        [ -z "$FOLDER" ] || wrong "one folder, please"
        FOLDER=$1
        ;;
    esac
    shift
done
[ -n "$FOLDER" ] || wrong "name the folder to make"
[ ! -e "$FOLDER" ] || wrong "$FOLDER is there already; name a new one"
HERE_ARCH=$(uname -m)
ARCH=${ARCH:-$HERE_ARCH}
case $ARCH in
aarch64 | armv7l | x86_64) ;;
*) wrong "--arch $ARCH is not known: aarch64, armv7l or x86_64" ;;
esac
HERE_PYTHON=$(python3 -c 'import sys; print("%d.%d" % sys.version_info[:2])') ||
    fail "Python 3.11 or newer is needed here"
PYTHON=${PYTHON:-$HERE_PYTHON}
# The newest C library of the system that brings this Python (Debian 12: 2.36, 13: 2.41).
case $PYTHON in
3.11) GLIBC=36 ;;
3.12 | 3.13) GLIBC=41 ;;
*) wrong "--python $PYTHON is not known: 3.11 or 3.13" ;;
esac

SOURCE=$(cd "$(dirname "$0")/.." && pwd)
[ -e "$SOURCE/pyproject.toml" ] || fail "a wheelhouse is made from a checkout, this is none"
mkdir -p "$FOLDER/wheels"
FOLDER=$(cd "$FOLDER" && pwd)
WORK=$(mktemp -d)
trap 'rm -rf "$WORK"' EXIT
say "[1] an environment to work in"
python3 -m venv "$WORK/venv" || fail "python3-venv is missing here: sudo apt install python3-venv"
pip() { "$WORK/venv/bin/python" -m pip --disable-pip-version-check "$@"; }

# fetch WHAT...: for the hut's machine, wheels only. pip takes only the names it is told.
fetch() {
    set -- "$@" --platform "linux_$ARCH" --platform "manylinux2014_$ARCH"
    minor=17
    while [ "$minor" -le "$GLIBC" ]; do
        set -- "$@" --platform "manylinux_2_${minor}_$ARCH"
        minor=$((minor + 1))
    done
    pip download --quiet --progress-bar off --only-binary :all: --implementation cp \
        --python-version "$PYTHON" --find-links "$FOLDER/wheels" --dest "$FOLDER/wheels" "$@"
}

say "[2] the wheel of Tocsin"
pip wheel --quiet --no-deps --wheel-dir "$FOLDER/wheels" "$SOURCE" || fail "it could not be built; see above"
say "[3] what it needs, for $ARCH and Python $PYTHON"
fetch "$(find "$FOLDER/wheels" -name 'tocsin-*.whl')" pip || fail "not everything could be had; see above"
say "[4] lgpio, for real pins"
# By version: without one, pip takes an empty release where no wheel fits (Python 3.13).
if ! fetch --no-deps 'lgpio>=0.2.2' 2>/dev/null; then
    if [ "$ARCH $PYTHON" = "$HERE_ARCH $HERE_PYTHON" ] &&
        PYPI=1 pip wheel --quiet --no-deps --no-binary lgpio --wheel-dir "$FOLDER/wheels" 'lgpio>=0.2.2'; then
        say "there is no wheel of it; it was built here"
    else
        say "there is no wheel of it for Python $PYTHON. Real pins then need the hut's system"
        say "to have python3-lgpio (Raspberry Pi OS), or this to be run on a machine like it,"
        say "with gcc, python3-dev and swig"
    fi
fi
say "[5] the installer and the sums"
mkdir "$FOLDER/deploy"
cp -R "$SOURCE/deploy/install.sh" "$SOURCE/deploy/install" "$SOURCE/deploy/system" \
    "$SOURCE/deploy/sites" "$SOURCE/deploy/tocsin.service" "$SOURCE/deploy/CAN.md" \
    "$SOURCE/deploy/README.md" "$FOLDER/deploy"
cp "$SOURCE/README.md" "$FOLDER"
printf '%s, Python %s\n' "$ARCH" "$PYTHON" >"$FOLDER/MADE-FOR"
(cd "$FOLDER" && find . -type f ! -name SHA256SUMS -exec sha256sum {} + | sort -k 2 >"$WORK/sums")
cp "$WORK/sums" "$FOLDER/SHA256SUMS"
if [ -n "$TAR" ]; then
    say "[6] $FOLDER.tar"
    tar -C "$(dirname "$FOLDER")" -cf "$FOLDER.tar" "$(basename "$FOLDER")"
fi
say "$FOLDER: $(find "$FOLDER/wheels" -name '*.whl' | wc -l) wheels, $(du -sk "$FOLDER" | cut -f 1) kB, for $ARCH and Python $PYTHON"
