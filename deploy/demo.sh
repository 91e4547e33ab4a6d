#!/bin/sh
# Set up and play the demo: no hardware, no broker, no root needed beyond python3-venv.
set -eu
case "${1:-}" in
-h | --help)
    cat <<'TEXT'
usage: sh deploy/demo.sh [options of `tocsin demo`]
Makes a virtual environment in .venv (or $TOCSIN_VENV), installs Tocsin and plays a cold
night and a sunny morning at a simulated site, in about two minutes.
  --seconds N    faster or slower      --keep FOLDER   keep site file and journal
  --plain        lines, no picture
TEXT
    exit 0
    ;;
esac
cd "$(dirname "$0")/.."
. deploy/lib.sh
make_venv ""
exec "$VENV/bin/tocsin" demo "$@"
