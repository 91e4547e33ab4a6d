# shellcheck shell=sh
# The end: a pin that really moves, or why not. No pin moves unless a person names it.

look_at_pins() {
    step "pins"
    set -- "$DEPLOY/install/try_pin.py" "$SITE" ${TRY_PIN:+--move "$TRY_PIN"}
    if [ -n "$DRY" ]; then
        run as_service "$NEW/bin/python" "$@"
    elif as_service "$NEW/bin/python" "$@"; then
        return
    elif [ -n "$TRY_PIN" ]; then
        fail "the pin that was named did not move"
    fi
}

# as_service COMMAND...: with the rights that the daemon will have, not those of root.
as_service() {
    if command -v setpriv >/dev/null 2>&1 && [ -z "$ROOT" ]; then
        LG_WD=/tmp setpriv --reuid tocsin --regid tocsin --groups tocsin,gpio,dialout --no-new-privs "$@"
    else
        LG_WD=/tmp "$@"
    fi
}
