# shellcheck shell=sh
# What the installer's parts share: places, steps, running and saying. POSIX sh; sourced.

# A prefix for every path, to prepare a root from outside and for the tests.
ROOT=${TOCSIN_ROOT:-}
OPT=$ROOT/opt/tocsin
VERSIONS=$OPT/versions
ETC=$ROOT/etc/tocsin
SITE=$ETC/site.toml
STATE=$ROOT/var/lib/tocsin
BACKUPS=$STATE/backups
UNITS=$ROOT/etc/systemd/system
COMMAND=$ROOT/usr/local/bin/tocsin
SERVICE=tocsin.service
# How long a daemon that has become ready must stay so; the service manager's own
# TimeoutStartSec= (a minute) bounds how long it may take to become ready.
SETTLE_S=${TOCSIN_SETTLE_S:-5}

DRY=
STEP=
NUMBER=0

say() { printf 'tocsin: %s\n' "$*"; }

warn() { printf 'tocsin: %s\n' "$*" >&2; }

# fail WHY: end; `ended` says which step it was and how to go on.
fail() {
    warn "$*"
    exit 1
}

# wrong WHY: the arguments are wrong.
wrong() {
    STEP=
    warn "$*; see --help"
    exit 2
}

step() {
    NUMBER=$((NUMBER + 1))
    STEP=$1
    say "[$NUMBER] $STEP"
}

run() {
    if [ -n "$DRY" ]; then
        printf '+ %s\n' "$*"
    else
        "$@"
    fi
}

# put FILE MODE TARGET: install one file, owned by root.
put() { run install -D -m "$2" "$1" "$3"; }

# point LINK TARGET: let a link point elsewhere in one move, so that it is never gone.
point() {
    run ln -sfn "$2" "$1.new"
    run mv -T "$1.new" "$1"
}

# version_of LINK: the name of the version that a link points to, or nothing.
version_of() {
    if [ -L "$1" ]; then basename "$(readlink "$1")"; fi
}

is_running() { systemctl is-active --quiet "$SERVICE" 2>/dev/null; }

# is_wanted: it runs, or systemd tries to make it run again and again.
is_wanted() {
    case $(systemctl is-active "$SERVICE" 2>/dev/null) in
    active | activating | reloading) ;;
    *) return 1 ;;
    esac
}

# ended CODE: say where it stopped and what to do. Called at every exit.
ended() {
    if [ "$1" -eq 0 ] || [ -z "$STEP" ]; then return; fi
    warn "stopped at step $NUMBER: $STEP"
    now=$(version_of "$OPT/current")
    if [ -z "$now" ]; then
        warn "nothing is in service yet; mend what is said above and run the same command again"
    elif is_running; then
        warn "version $now runs as before; mend what is said above and run the same command again"
    else
        warn "version $now is in place, not running; mend what is said above, then systemctl start tocsin"
    fi
}
