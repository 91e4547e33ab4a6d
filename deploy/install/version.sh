# shellcheck shell=sh
# Building a version: its own environment, its own copy of the system's files. It is
# built beside the one in service, which notices nothing.

# The version's name: that of the package, and a sum over all that is installed.
name_version() {
    if [ -n "$WHEELHOUSE" ]; then
        wheel=$(find "$WHEELHOUSE/wheels" -name 'tocsin-*.whl' | sort | tail -n 1)
        [ -n "$wheel" ] || fail "there is no wheel of tocsin in $WHEELHOUSE/wheels"
        number=$(basename "$wheel" | cut -d - -f 2)
        sum=$(cat "$WHEELHOUSE/SHA256SUMS" "$DEPLOY/tocsin.service" "$DEPLOY"/system/* | cksum)
    else
        number=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$SOURCE/pyproject.toml" | head -n 1)
        sum=$(cd "$SOURCE" && find daemon drivers config pyproject.toml deploy/tocsin.service \
            deploy/system -type f ! -name '*.pyc' -exec cksum {} + | sort -k 3 | cksum)
    fi
    [ -n "$number" ] || fail "cannot tell which version this is"
    VERSION="$number-${sum%% *}"
}

check_wheelhouse() {
    step "compare the wheelhouse with its checksums"
    [ -r "$WHEELHOUSE/SHA256SUMS" ] ||
        fail "$WHEELHOUSE is no wheelhouse: it has no SHA256SUMS; deploy/wheelhouse.sh makes one"
    (cd "$WHEELHOUSE" && sha256sum --check --quiet --strict SHA256SUMS) ||
        fail "the wheelhouse is damaged; copy it again, nothing was changed"
}

build_version() {
    step "build version $VERSION"
    NEW=$VERSIONS/$VERSION
    if [ -e "$NEW/complete" ]; then
        say "it is here already"
        return
    fi
    run rm -rf "$NEW"
    run install -d -m 0755 "$OPT" "$VERSIONS"
    if [ -n "$WHEELHOUSE" ]; then
        # No internet and perhaps no ensurepip: pip runs from its own wheel.
        pip_wheel=$(find "$WHEELHOUSE/wheels" -name 'pip-*.whl' | sort | tail -n 1)
        [ -n "$pip_wheel" ] || fail "there is no wheel of pip in $WHEELHOUSE/wheels"
        run python3 -m venv --without-pip "$NEW" || fail "python3 cannot make an environment in $NEW"
        get_wheels tocsin || fail "the wheelhouse (made for $(cat "$WHEELHOUSE/MADE-FOR")) does not fit this machine ($(uname -m), $(python3 --version)); see above"
    else
        run python3 -m venv "$NEW" || fail "python3 cannot make an environment in $NEW"
        get_wheels "$SOURCE" || fail "pip could not install; see above. Without internet use --wheelhouse"
    fi
    get_lgpio
    run install -d -m 0755 "$NEW/system"
    run install -m 0644 "$DEPLOY/tocsin.service" "$DEPLOY"/system/* "$NEW/system"
    for page in "$DEPLOY/CAN.md" "$DEPLOY/../README.md"; do
        [ ! -r "$page" ] || run install -m 0644 "$page" "$NEW"
    done
    run "$NEW/bin/tocsin" --version || fail "the new version does not even say its name"
    run touch "$NEW/complete"
}

# get_wheels WHAT...: only from wheels; nothing is compiled on a small machine.
get_wheels() {
    if [ -n "$WHEELHOUSE" ]; then
        run env PYTHONPATH="$pip_wheel" "$NEW/bin/python" -m pip install --quiet \
            --disable-pip-version-check --no-index --find-links "$WHEELHOUSE/wheels" "$@"
    else
        run "$NEW/bin/python" -m pip install --quiet --disable-pip-version-check \
            --progress-bar off --only-binary :all: "$@"
    fi
}

# Real pins need lgpio. No index has a wheel of it for Python 3.13, and unpinned its
# name takes an empty release (0.0.0.2): so by version, else from the system, else built.
LGPIO='lgpio>=0.2.2'

get_lgpio() {
    if [ -n "$DRY" ]; then
        get_wheels "$LGPIO"
        return
    fi
    if offered_wheel && get_wheels "$LGPIO" 2>/dev/null && has_lgpio; then return; fi
    if lend_lgpio || { offered_lgpio && (get_with_apt python3-lgpio) && lend_lgpio; }; then
        say "real pins: lgpio of this system, lent to the environment"
        return
    fi
    if [ -z "$WHEELHOUSE" ] && build_lgpio; then
        say "real pins: lgpio built here"
        return
    fi
    warn "real pins cannot be used: there is no lgpio for this Python, in no index and not in this system"
}

offered_wheel() {
    [ -z "$WHEELHOUSE" ] || [ -n "$(find "$WHEELHOUSE/wheels" -name 'lgpio-*')" ]
}

# An lgpio that imports and can open a chip: the empty release imports as well.
has_lgpio() {
    (cd /tmp && LG_WD=/tmp "$NEW/bin/python" -c 'import lgpio; lgpio.gpiochip_open; lgpio.gpio_claim_output') 2>/dev/null
}

offered_lgpio() {
    [ -z "$WHEELHOUSE" ] && apt-cache show python3-lgpio >/dev/null 2>&1
}

# The two files of the system's package are linked, not all of the system's packages.
lend_lgpio() {
    target=$("$NEW/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')
    for file in "$ROOT"/usr/lib/python3/dist-packages/lgpio.py \
        "$ROOT"/usr/lib/python3/dist-packages/_lgpio*.so; do
        [ -e "$file" ] || return 1
        ln -sf "$file" "$target/"
    done
    has_lgpio
}

# A minute on a small board; its source brings the C library along (PYPI=1 asks for it).
build_lgpio() {
    say "building lgpio, for which there is no wheel"
    # In a shell of its own: without a compiler all but real pins can still be used.
    (get_with_apt gcc libc6-dev python3-dev swig) &&
        env PYPI=1 "$NEW/bin/python" -m pip install --quiet --disable-pip-version-check \
            --progress-bar off --no-binary lgpio "$LGPIO" && has_lgpio
}
