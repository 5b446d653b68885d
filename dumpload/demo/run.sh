#!/bin/sh
# Runs the demo from a checkout: makes an environment of its own, says what is missing, and starts.
#   PYTHON=python3.12 sh dumpload/demo/run.sh      use another interpreter
set -eu
cd "$(dirname "$0")/../.."
python=${PYTHON:-python3}
environment=.venv-demo

say() { printf '%s\n' "$*" >&2; }

command -v "$python" >/dev/null || { say "There is no $python: install Python 3.11 or newer (Debian: apt install python3-venv), or set PYTHON."; exit 2; }
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
    say "Python 3.11 or newer is needed; $python is $("$python" --version 2>&1). Set PYTHON to another one."
    exit 2
}
"$python" -c 'import ensurepip, venv' 2>/dev/null || {
    say "$python cannot make virtual environments (Debian: apt install python3-venv)."
    exit 2
}
"$environment/bin/python" -c 'import amqtt, dumpload' 2>/dev/null || {
    say "Making an environment for the demo in $environment, which takes a minute the first time ..."
    rm -rf "$environment"
    "$python" -m venv "$environment"
    "$environment/bin/pip" install -q --disable-pip-version-check -c requirements.lock '.[demo]' || {
        rm -rf "$environment"
        say "pip could not install what the demo needs; its reason is above. Is there a network?"
        exit 1
    }
}
exec "$environment/bin/dumpload" demo
