# shellcheck shell=sh
# What the machine must be and have: system, Python, packages, user, folders.

SPARE_KB=350000 # an environment and its downloads

look_at_machine() {
    step "look at this machine"
    if [ -r "$ROOT/etc/os-release" ]; then
        # shellcheck disable=SC1091
        id=$(. "$ROOT/etc/os-release" && printf '%s %s' "${ID:-}" "${VERSION_ID:-}")
        case $id in
        "debian 12" | "debian 13" | "raspbian 12" | "raspbian 13") ;;
        *) warn "made for Debian or Raspberry Pi OS 12 and 13; this is '$id', which nobody has tried" ;;
        esac
    fi
    command -v systemctl >/dev/null 2>&1 ||
        fail "there is no systemctl here; the daemon needs systemd to watch over it"
    for folder in /opt /etc /var/lib; do
        if [ -d "$ROOT$folder" ] && [ ! -w "$ROOT$folder" ]; then
            fail "$folder cannot be written; with a read-only root: mount -o remount,rw / and again ro afterwards"
        fi
    done
    # What cannot be found out is no reason to stop.
    free_kb=$(df -Pk "$ROOT/opt" 2>/dev/null | { read -r _ && read -r _ _ _ kb _ && echo "$kb"; }) || free_kb=
    if [ "${free_kb:-$SPARE_KB}" -lt "$SPARE_KB" ]; then
        fail "$((free_kb / 1000)) MB are free below /opt; $((SPARE_KB / 1000)) MB are needed, the version in service stays until the new one has proved itself"
    fi
}

# Packages come with apt, and only where something lacks. A wheelhouse needs none.
get_packages() {
    step "see that Python is there"
    command -v python3 >/dev/null 2>&1 || get_with_apt python3
    if [ -z "$DRY" ]; then
        python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
            fail "Python 3.11 or newer is needed; Debian and Raspberry Pi OS 12 or newer have it"
    fi
    if [ -z "$WHEELHOUSE" ]; then
        python3 -c 'import ensurepip, venv' 2>/dev/null || get_with_apt python3-venv
    fi
}

get_with_apt() {
    command -v apt-get >/dev/null 2>&1 || fail "missing: $*, and there is no apt-get"
    say "installing with apt: $*"
    run apt-get update -qq || warn "the package lists could not be refreshed; trying with what is here"
    run env DEBIAN_FRONTEND=noninteractive apt-get install -qq -y --no-install-recommends "$@" ||
        fail "apt could not install $*; without internet use --wheelhouse"
}

make_user() {
    step "user tocsin, groups gpio and dialout"
    for group in gpio dialout; do
        getent group "$group" >/dev/null || run groupadd --system "$group"
    done
    if ! getent passwd tocsin >/dev/null; then
        run useradd --system --user-group --home-dir /var/lib/tocsin --no-create-home \
            --shell /usr/sbin/nologin tocsin
    fi
}

# The site file is the person's: made once, never written again. Only owners and modes
# are set right each time.
make_folders() {
    step "site file, secrets and state"
    run install -d -m 0750 "$ETC" "$ETC/can"
    run install -d -m 0700 "$ETC/secrets"
    run install -d -m 0750 "$STATE"
    if [ ! -e "$SITE" ]; then
        say "putting a sample site file at /etc/tocsin/site.toml"
        run install -m 0640 "$DEPLOY/sites/fern-ridge.toml" "$SITE"
    fi
    put "$DEPLOY/system/can0.conf.example" 0644 "$ETC/can/can0.conf.example"
    run chown -R root:tocsin "$ETC"
    run chmod -R u=rwX,g=rX,o= "$ETC"
    # The service reads its secrets; nobody else in its group does.
    run chown -R tocsin:tocsin "$ETC/secrets"
    run chmod -R go-rwx "$ETC/secrets"
    run chown tocsin:tocsin "$STATE"
}
