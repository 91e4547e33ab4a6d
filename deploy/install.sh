#!/bin/sh
# Install, upgrade, roll back or remove Tocsin on Debian or Raspberry Pi OS 12 and 13.
set -eu

usage() {
    cat <<'TEXT'
usage: sudo sh deploy/install.sh [options]

Installs Tocsin as a service on Debian or Raspberry Pi OS 12 and 13, 32 and 64 bit; run
again, it upgrades or repairs. It never starts a service that did not run, never writes
over your site file, and moves no pin that you do not name.

  (no option)           install, or upgrade to the version of this checkout. An upgrade
                        goes back by itself if the new version does not reach its first
                        safe step within a minute
  --try-pin GPIOnn      at the end really move this pin, three times, and read it back:
                        have nothing wired to it that can hurt
  --wheelhouse FOLDER   without internet: take everything from a folder that
                        deploy/wheelhouse.sh made
  --read-only-root      the root is mounted read-only; /var/lib/tocsin must be a mount
  --no-backup           upgrade without backing up site, journal and records first
  --roll-back           go back to the version that was in service before
  --uninstall           remove program and service; site file, journal, records stay
  --uninstall --purge   remove these as well; asks, unless there is --yes
  --dry-run             say every step and take none

Upgrading restarts the daemon: every permit drops, and comes back after enough good
readings. Backup and restore: tocsin backup --help, tocsin restore --help.
Exit codes: 0 done, 1 failed (the version that ran still runs), 2 the arguments are wrong.
TEXT
}

DEPLOY=$(cd "$(dirname "$0")" && pwd)
SOURCE=$(dirname "$DEPLOY")
for part in lib machine version switch remove readonly pins; do
    # shellcheck source=/dev/null
    . "$DEPLOY/install/$part.sh"
done

TASK=install WHEELHOUSE='' READ_ONLY='' TRY_PIN='' NO_BACKUP='' PURGE='' YES=''
while [ $# -gt 0 ]; do
    case $1 in
    -h | --help)
        usage
        exit 0
        ;;
    --dry-run) DRY=1 ;;
    --yes) YES=1 ;;
    --purge) PURGE=1 ;;
    --uninstall) TASK=uninstall ;;
    --roll-back) TASK=roll_back ;;
    --no-backup) NO_BACKUP=1 ;;
    --read-only-root) READ_ONLY=1 ;;
    --wheelhouse | --try-pin)
        [ $# -ge 2 ] || wrong "$1 needs a value"
        case $1 in
        --wheelhouse) WHEELHOUSE=$2 ;;
        --try-pin) TRY_PIN=$2 ;;
        esac
        shift
        ;;
    *) wrong "unknown option $1" ;;
    esac
    shift
done
[ -z "$PURGE" ] || [ "$TASK" = uninstall ] || wrong "--purge goes with --uninstall"
case $TRY_PIN in
'' | GPIO[0-9] | GPIO[0-9][0-9]) ;;
*) wrong "--try-pin $TRY_PIN is no pin; write GPIO17" ;;
esac
# A wheelhouse brings its own copy of this script: then it means itself.
if [ -z "$WHEELHOUSE" ] && [ ! -e "$SOURCE/pyproject.toml" ]; then WHEELHOUSE=$SOURCE; fi
if [ -n "$WHEELHOUSE" ]; then
    WHEELHOUSE=$(cd "$WHEELHOUSE" 2>/dev/null && pwd) || wrong "there is no folder to take wheels from"
fi

install_version() {
    look_at_machine
    [ -z "$WHEELHOUSE" ] || check_wheelhouse
    [ -z "$READ_ONLY" ] || check_state_mount
    get_packages
    make_user
    name_version
    build_version
    make_folders
    OLD=$(version_of "$OPT/current")
    check_site
    keep_state
    switch
    tell_kernel
    prune_versions
    [ -z "$READ_ONLY" ] || place_read_only
    look_at_pins
}

next_steps() {
    say "version $VERSION is installed"
    if is_running; then
        say "it runs; see it with: tocsin show /etc/tocsin/site.toml"
        return
    fi
    cat <<'TEXT'

Not started. Next:
  1. edit /etc/tocsin/site.toml, until `tocsin check /etc/tocsin/site.toml` has no doubt
     left that you cannot explain
  2. wire outputs so that they fail safe
  3. systemctl enable --now tocsin, and prove each output: tocsin prove --help
The hardware watchdog and the limits of the system's log count from the next boot on.
Tocsin is not the protection: it stands above the battery's own. Follow local codes and
licensed practice; a battery bank can kill by arc, fault current and fire.
TEXT
}

if [ -z "$DRY" ] && [ "$(id -u)" -ne 0 ]; then
    fail "run as root: sudo sh deploy/install.sh"
fi
[ -z "$PURGE" ] || sure
trap 'ended $?' EXIT
if [ -z "$DRY" ]; then
    # Two at once would take each other's versions away.
    install -d "$ROOT/run"
    exec 9>"$ROOT/run/tocsin-install.lock"
    flock --nonblock 9 || fail "another installation is going on"
fi
case $TASK in
install) install_version ;;
*) "$TASK" ;;
esac
STEP=
if [ -n "$DRY" ]; then
    say "dry run: nothing was installed or changed"
elif [ "$TASK" = install ]; then
    next_steps
fi
