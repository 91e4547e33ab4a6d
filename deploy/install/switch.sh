# shellcheck shell=sh
# Putting a version in service, and taking it out again when it fails.

# check_site: a version that does not take the site file never goes into service.
check_site() {
    step "check the site file with version $VERSION"
    if [ -n "$DRY" ]; then
        run "$NEW/bin/tocsin" check "$SITE"
        return
    fi
    if told=$("$NEW/bin/tocsin" check "$SITE" 2>&1); then
        say "no mistake in it; doubts and lead times are told by: tocsin check /etc/tocsin/site.toml"
        return
    fi
    printf '%s\n' "$told" >&2
    if [ -n "$OLD" ]; then
        fail "version $VERSION does not take /etc/tocsin/site.toml; nothing was switched"
    fi
    warn "mend /etc/tocsin/site.toml before the service is started"
}

# keep_state: a newer version may bring the journal to a form the older cannot read.
keep_state() {
    step "back up site, journal and records"
    KEPT=
    if [ -z "$OLD" ] || [ "$OLD" = "$VERSION" ]; then
        say "no other version was in service: nothing to back up"
        return
    fi
    if [ -n "$NO_BACKUP" ]; then
        say "left out, as asked"
        return
    fi
    KEPT=$BACKUPS/before-$VERSION.tar.gz
    run install -d -m 0750 "$BACKUPS"
    run rm -f "$KEPT"
    run "$NEW/bin/tocsin" backup "$SITE" "$KEPT" ||
        fail "no backup could be made; --no-backup goes on without one"
    prune "$BACKUPS" "before-*.tar.gz" "$(basename "$KEPT")" "before-$OLD.tar.gz"
}

# place NAME: what the system must know about a version, as that version brought it.
place() {
    from=$VERSIONS/$1/system
    put "$from/tocsin.service" 0644 "$UNITS/tocsin.service"
    put "$from/tocsin-can@.service" 0644 "$UNITS/tocsin-can@.service"
    put "$from/70-tocsin.rules" 0644 "$ROOT/etc/udev/rules.d/70-tocsin.rules"
    put "$from/modules.conf" 0644 "$ROOT/etc/modules-load.d/tocsin.conf"
    put "$from/watchdog.conf" 0644 "$ROOT/etc/systemd/system.conf.d/90-tocsin.conf"
    put "$from/journald.conf" 0644 "$ROOT/etc/systemd/journald.conf.d/90-tocsin.conf"
    run install -d -m 0755 "$(dirname "$COMMAND")"
    run ln -sfn /opt/tocsin/current/bin/tocsin "$COMMAND"
    point "$OPT/current" "versions/$1"
    run systemctl daemon-reload
}

# start_and_watch: true once the service decides, and still does some seconds later.
# Type=notify: start returns with the first completed, checked step, or with a failure.
start_and_watch() {
    run systemctl restart "$SERVICE" || return 1
    if [ -n "$DRY" ]; then return; fi
    before=$(restarts)
    say "its first safe step is done; watching it for $SETTLE_S s"
    sleep "$SETTLE_S"
    is_running && [ "$(restarts)" = "$before" ]
}

restarts() { systemctl show --property NRestarts --value "$SERVICE"; }

switch() {
    step "put version $VERSION in service"
    was_wanted=
    if is_wanted; then was_wanted=1; fi
    if [ "$OLD" = "$VERSION" ]; then
        place "$VERSION"
        say "it was in service already; the running daemon is left alone"
        return
    fi
    PREVIOUS=$(version_of "$OPT/previous")
    [ -z "$OLD" ] || point "$OPT/previous" "versions/$OLD"
    place "$VERSION"
    if [ -z "$was_wanted" ]; then
        say "the service is not running, and is not started now"
        return
    fi
    say "restarting: every permit drops, and comes back after enough good readings"
    if start_and_watch; then
        say "version $VERSION decides"
        return
    fi
    tell_log
    [ -n "$OLD" ] ||
        fail "version $VERSION did not reach its first safe step, and there is none to go back to"
    take_back
    fail "version $VERSION did not reach its first safe step, or did not stay; version $OLD is back in service"
}

# take_back: the old version, its own units and, if it must, its own journal.
take_back() {
    warn "rolling back to version $OLD"
    systemctl stop "$SERVICE" || true
    place "$OLD"
    rm -f "$OPT/previous"
    [ -z "$PREVIOUS" ] || point "$OPT/previous" "versions/$PREVIOUS"
    if [ -n "$KEPT" ] && ! "$VERSIONS/$OLD/bin/tocsin" journal "$SITE" --last 1 >/dev/null 2>&1 &&
        "$NEW/bin/tocsin" journal "$SITE" --last 1 >/dev/null 2>&1; then
        warn "version $OLD cannot read the journal any more: putting back that of before"
        "$NEW/bin/tocsin" restore "$KEPT" --only state --replace ||
            warn "that failed; version $OLD decides without a journal until it is moved away"
    fi
    start_and_watch ||
        fail "version $OLD does not start either: every permit is down. See: journalctl -u tocsin"
}

tell_log() {
    if command -v journalctl >/dev/null 2>&1; then
        warn "its last words:"
        journalctl --unit "$SERVICE" --lines 15 --no-pager --output cat >&2 || true
    fi
}

# roll_back: by hand, to the version that was in service before.
roll_back() {
    step "roll back"
    OLD=$(version_of "$OPT/current")
    VERSION=$(version_of "$OPT/previous")
    [ -n "$VERSION" ] && [ -e "$VERSIONS/$VERSION/complete" ] ||
        fail "there is no previous version to go back to"
    NEW=$VERSIONS/$VERSION
    KEPT=
    check_site
    keep_state_is_readable
    switch
}

keep_state_is_readable() {
    if [ -z "$DRY" ] && ! "$NEW/bin/tocsin" journal "$SITE" --last 1 >/dev/null 2>&1; then
        warn "version $VERSION may not read the journal as it is now; backups lie in $BACKUPS:"
        warn "  tocsin restore FILE --only state --replace"
    fi
}

# prune FOLDER PATTERN NAME...: keep the named ones.
prune() {
    folder=$1 pattern=$2
    shift 2
    find "$folder" -mindepth 1 -maxdepth 1 -name "$pattern" | while read -r path; do
        for name in "$@"; do
            if [ "$(basename "$path")" = "$name" ]; then continue 2; fi
        done
        run rm -rf "$path"
    done
}

prune_versions() {
    step "keep this version and the previous one"
    [ ! -d "$VERSIONS" ] ||
        prune "$VERSIONS" "*" "$VERSION" "$(version_of "$OPT/previous")" "$(version_of "$OPT/current")"
}

# tell_kernel: rules and modules count now; in a container there may be nobody to tell.
tell_kernel() {
    step "tell the kernel about pins, adapters and CAN"
    run modprobe --all --quiet usbserial cdc_acm 2>/dev/null || true
    if ! { run udevadm control --reload && run udevadm trigger --subsystem-match=gpio --subsystem-match=tty; } 2>/dev/null; then
        warn "udev does not answer; its rules count from the next boot on"
    fi
}
