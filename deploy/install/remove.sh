# shellcheck shell=sh
# Taking everything out again. What a person wrote, and what was recorded, stays.

uninstall() {
    step "stop the service: every permit drops"
    run systemctl disable --now "$SERVICE" || true
    step "remove the program and what the system knew about it"
    for file in "$UNITS/tocsin.service" "$UNITS/tocsin-can@.service" \
        "$UNITS/tocsin.service.d/read-only-root.conf" \
        "$ROOT/etc/udev/rules.d/70-tocsin.rules" \
        "$ROOT/etc/modules-load.d/tocsin.conf" \
        "$ROOT/etc/systemd/system.conf.d/90-tocsin.conf" \
        "$ROOT/etc/systemd/journald.conf.d/90-tocsin.conf" \
        "$ROOT/etc/systemd/journald.conf.d/91-tocsin-volatile.conf"; do
        [ ! -e "$file" ] || run rm -f "$file"
    done
    [ ! -L "$COMMAND" ] || run rm -f "$COMMAND"
    [ ! -d "$OPT" ] || run rm -rf "$OPT"
    run systemctl daemon-reload
    if [ -z "$PURGE" ]; then
        say "kept: /etc/tocsin (site file, secrets) and /var/lib/tocsin (journal, history, records)"
        return
    fi
    step "remove site file, secrets, journal, history and records"
    run rm -rf "$ETC"
    # A mount of its own is emptied, not removed.
    [ ! -d "$STATE" ] || run find "$STATE" -mindepth 1 -delete
    run rmdir "$STATE" 2>/dev/null || true
    ! getent passwd tocsin >/dev/null || run userdel tocsin
}

# sure: the proofs that people signed go with --purge, so it asks.
sure() {
    if [ -n "$YES" ] || [ -n "$DRY" ]; then return; fi
    [ -t 0 ] || wrong "--purge removes the journal and the signed records for good; say --yes as well"
    printf 'tocsin: --purge removes site file, journal and signed records for good. Type yes: '
    read -r answer
    [ "$answer" = yes ] || fail "nothing was removed"
}
