#!/bin/sh
# Install Tocsin as a service on Debian 12 or newer, or Raspberry Pi OS. Run as root.
set -eu
DRY=
case "${1:-}" in
-h | --help)
    cat <<'TEXT'
usage: sudo sh deploy/install.sh [--dry-run]
Installs into /opt/tocsin, puts a sample site file at /etc/tocsin/site.toml if there is
none, checks it, and installs the service without starting it. --dry-run only says what
it would do.
TEXT
    exit 0
    ;;
--dry-run) DRY=1 ;;
"") ;;
*)
    printf 'tocsin: unknown option %s; see --help\n' "$1" >&2
    exit 2
    ;;
esac
cd "$(dirname "$0")/.."
run() {
    printf '+ %s\n' "$*"
    [ -n "$DRY" ] || "$@"
}
if [ -z "$DRY" ] && [ "$(id -u)" -ne 0 ]; then
    printf 'tocsin: run as root: sudo sh deploy/install.sh\n' >&2
    exit 1
fi
run apt-get install -y python3-venv python3-lgpio
getent group gpio >/dev/null || run groupadd --system gpio
getent passwd tocsin >/dev/null ||
    run useradd --system --home-dir /var/lib/tocsin --shell /usr/sbin/nologin --user-group tocsin
# System packages are seen from the environment: Debian builds lgpio for every Python.
run python3 -m venv --system-site-packages /opt/tocsin/venv
run /opt/tocsin/venv/bin/python -m pip install --quiet --upgrade .
run install -D -m 0644 README.md /opt/tocsin/README.md
[ -e /etc/tocsin/site.toml ] ||
    run install -D -m 0644 deploy/sites/fern-ridge.toml /etc/tocsin/site.toml
run install -D -m 0644 deploy/tocsin.service /etc/systemd/system/tocsin.service
run systemctl daemon-reload
run /opt/tocsin/venv/bin/tocsin check /etc/tocsin/site.toml || true
if [ -n "$DRY" ]; then
    printf 'tocsin: dry run: nothing was installed or changed\n'
    exit 0
fi
cat <<'TEXT'

Installed, not started. Next:
  1. edit /etc/tocsin/site.toml, until `tocsin check` has no doubt left that you cannot
     explain
  2. wire outputs so that they fail safe, and prove each of them at the site
  3. systemctl enable --now tocsin
Tocsin is not the protection: it stands above the battery's own. Follow local codes and
licensed practice; a battery bank can kill by arc, fault current and fire.
TEXT
