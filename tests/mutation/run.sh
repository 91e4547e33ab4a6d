#!/bin/sh
# Mutate the core in a copy of this tree, and see which mutants the tests of the core miss.
#   sh tests/mutation/run.sh                          all of it
#   sh tests/mutation/run.sh 'tocsin.core.loads.*'    one file
#   MUTMUT=/tmp/mut/bin/mutmut COPY=/tmp/mutants sh tests/mutation/run.sh
set -eu
root=$(cd "$(dirname "$0")/../.." && pwd)
copy=${COPY:-${TMPDIR:-/tmp}/tocsin-mutants}
mutmut=${MUTMUT:-mutmut}

rm -rf "$copy"
mkdir -p "$copy/tests"
cp -R "$root/daemon/tocsin" "$root/config/tocsin_config" "$copy"
cp -R "$root/tests/core" "$root/tests/support" "$root/tests/conftest.py" "$copy/tests"
cp "$root/tests/mutation/setup.cfg" "$root/tests/mutation/pytest.ini" "$copy"

cd "$copy"
"$mutmut" run --max-children "${CHILDREN:-1}" "$@"
"$mutmut" export-cicd-stats
cat mutants/mutmut-cicd-stats.json
echo "in $copy: '$mutmut results' names the survivors, '$mutmut show NAME' shows one"
