#!/bin/sh
# Outside checks: the program against numpy, scipy, mpmath, a circuit simulator and a VISA client library.
# Makes its own Python environment and installs the circuit simulator where it is missing. Arguments go to pytest.
set -eu
cd "$(dirname "$0")/.."

if ! command -v ngspice >/dev/null; then
    as_root=""
    [ "$(id -u)" = 0 ] || as_root="sudo"
    $as_root apt-get update -qq
    DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq ngspice >/dev/null
fi

environment=target/outside-checks
stamp="$environment/requirements.txt"
if ! cmp -s tests/outside/requirements.txt "$stamp"; then
    rm -rf "$environment"
    python3 -m venv "$environment"
    "$environment/bin/pip" install --quiet --disable-pip-version-check -r tests/outside/requirements.txt
    cp tests/outside/requirements.txt "$stamp"
fi

cargo build --quiet --locked --package quadrille
cargo build --quiet --locked --package quadrille-network --example relax
cargo build --quiet --locked --package quadrille-material --example material
cargo build --quiet --locked --package quadrille-network --example arcs --example sheet
cargo build --quiet --locked --package quadrille-bench --example settle --example plant
cargo build --quiet --locked --package quadrille-settling --example stability
cargo build --quiet --locked --package quadrille-settling --example arrive
cargo build --quiet --locked --package quadrille-diagnosis --example predict

cd tests/outside
python="../../$environment/bin/python"
if [ $# -gt 0 ]; then
    exec "$python" -m pytest -q -p no:cacheprovider "$@"
fi
# Ten minutes of a night in real time are waited for beside everything else.
night=program/test_long_night.py
log=../../target/long-night.log
"$python" -m pytest -q -p no:cacheprovider $night >"$log" 2>&1 &
waited=$!
outcome=0
"$python" -m pytest -q -p no:cacheprovider --ignore $night . || outcome=$?
wait $waited || outcome=$?
cat "$log"
exit $outcome
