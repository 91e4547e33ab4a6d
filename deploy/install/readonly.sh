# shellcheck shell=sh
# A root that is mounted read-only, so that a power cut cannot hurt it. The journal must
# still be written: /var/lib/tocsin is then a file system of its own.

check_state_mount() {
    step "see that state has a file system of its own"
    line=$(findmnt --noheadings --output FSTYPE,OPTIONS --mountpoint "$STATE") ||
        fail "/var/lib/tocsin is no mount of its own, and a read-only root could keep no journal.
tocsin: Make a partition, mkfs.ext4 it, add to /etc/fstab
tocsin:   LABEL=tocsin /var/lib/tocsin ext4 rw,noatime,nodev,nosuid,noexec 0 2
tocsin: mount it, and run this again"
    kind=${line%% *}
    case $kind in
    tmpfs | ramfs | overlay) fail "/var/lib/tocsin is a $kind: a power cut would take the journal along" ;;
    esac
    case ",${line##* }," in
    *,ro,*) fail "/var/lib/tocsin is mounted read-only: mount -o remount,rw /var/lib/tocsin" ;;
    esac
    say "/var/lib/tocsin is a $kind of its own"
}

place_read_only() {
    step "settings for a read-only root"
    put "$DEPLOY/system/mounted-state.conf" 0644 "$UNITS/tocsin.service.d/read-only-root.conf"
    put "$DEPLOY/system/journald-volatile.conf" 0644 \
        "$ROOT/etc/systemd/journald.conf.d/91-tocsin-volatile.conf"
    run systemctl daemon-reload
    case ",$(findmnt --noheadings --output OPTIONS /)," in
    *,ro,*) say "the root is read-only now" ;;
    *) say "the root can still be written; put ro among its options in /etc/fstab, and restart" ;;
    esac
    [ "$(findmnt --noheadings --output FSTYPE /tmp)" = tmpfs ] ||
        say "/tmp must be in memory then: add to /etc/fstab: tmpfs /tmp tmpfs nosuid,nodev,size=64M 0 0"
    say "later: mount -o remount,rw / before an upgrade, and ro again behind it"
}
