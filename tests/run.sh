#!/bin/sh
# Runs every check and test of dumpload, on a bare machine too: makes its own virtual environments from the lock file,
# installs what the tests need (a broker, a browser) from Debian's packages where it may, tests the built wheel rather
# than the checkout, and says plainly at the end what could not run. Arguments are handed to pytest.
#   PYTHON=python3.12 tests/run.sh      use another interpreter
#   OTHER_PYTHONS="..."        interpreters for the short second round (default: those found among 3.11 to 3.13)
set -eu
cd "$(dirname "$0")/.."
python=${PYTHON:-python3}
work=.venv-test
missing=''

say() { printf '\n== %s\n' "$*"; }

"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
    echo "Python 3.11 or newer is needed; $python is $("$python" --version 2>&1). Set PYTHON to another one." >&2
    exit 2
}

say "what the tests need from the system"
want=''
command -v mosquitto >/dev/null || [ -x /usr/sbin/mosquitto ] || want="$want mosquitto"
command -v systemd-analyze >/dev/null || want="$want systemd"
[ -d /usr/share/zoneinfo ] || want="$want tzdata"
command -v chromium >/dev/null || want="$want chromium"
command -v pdftotext >/dev/null || want="$want poppler-utils"
find /usr/share/fonts -name '*.[ot]tf' 2>/dev/null | grep -q . || want="$want fonts-dejavu-core"
"$python" -c 'import ensurepip, venv' 2>/dev/null || want="$want python3-venv"
if [ -n "$want" ]; then
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
        export DEBIAN_FRONTEND=noninteractive
        apt-get update -qq >/dev/null 2>&1 || true
        for package in $want; do  # one by one: what cannot be had must not keep the others away
            apt-get install -y -qq --no-install-recommends "$package" >/dev/null 2>&1 || true
        done
    fi
    for package in $want; do
        dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null | grep -q '^installed' || missing="$missing $package"
    done
fi
[ -z "$missing" ] || echo "not there, and could not be installed:$missing"

say "virtual environments, from requirements.lock"
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_CONSTRAINT="$PWD/requirements.lock"
make_venv() { # interpreter, folder
    [ -x "$2/bin/python" ] && "$2/bin/python" -c '' 2>/dev/null || { rm -rf "$2"; "$1" -m venv "$2"; }
}
quiet_pip() { "$@" 2>"$work/pip.log" || { cat "$work/pip.log" >&2; return 1; }; }
make_venv "$python" "$work"
quiet_pip "$work/bin/pip" install -q hatchling
rm -rf build/wheel
quiet_pip "$work/bin/pip" wheel -q --no-deps --no-build-isolation -w build/wheel .
wheel=$(ls build/wheel/*.whl)
quiet_pip "$work/bin/pip" install -q --force-reinstall --no-deps "$wheel"
quiet_pip "$work/bin/pip" install -q "${wheel}[test]"
# Measured series of another project, for one test that is skipped without them: the data only, not what it needs.
"$work/bin/pip" install -q --no-deps pvanalytics==0.2.2 2>"$work/pip.log" || missing="$missing pvanalytics"
# What simulates weather, for the tests of `simulate`: 130 MB more than the rest needs, and without it they are skipped.
"$work/bin/pip" install -q "${wheel}[solar]" 2>"$work/pip.log" || missing="$missing pvlib"
# The accessibility check of the pages; unpacked only, nothing of it is run by npm.
axe=$work/axe-core-4.14.1
export AXE_CORE="${AXE_CORE:-$PWD/$axe/package/axe.min.js}"
[ -f "$AXE_CORE" ] || {
    mkdir -p "$axe"
    (cd "$axe" && npm pack axe-core@4.14.1 && tar -xzf axe-core-*.tgz) >/dev/null 2>&1 || missing="$missing axe-core"
}
make_venv "$python" "$work/light"   # the daemon's own install and nothing else
quiet_pip "$work/light/bin/pip" install -q --force-reinstall --no-deps "$wheel"
quiet_pip "$work/light/bin/pip" install -q "$wheel"
export LIGHT_PYTHON="$PWD/$work/light/bin/python"
# Every file that a board would take is fetched and held against its hash; nothing is installed.
PIP_CONSTRAINT='' quiet_pip "$work/light/bin/pip" install -q --dry-run --ignore-installed --no-deps --require-hashes \
    -r config/board.lock

say "lint, types, architecture"
"$work/bin/ruff" check .
"$work/bin/ruff" format --check .
"$work/bin/mypy"
"$work/bin/lint-imports"

say "tests, on the built wheel ($("$python" --version))"
if [ $# -gt 0 ]; then
    "$work/bin/pytest" "$@"
else
    real='broker or slow or systemd or browser'
    # Each module of the core is covered by the tests of its own name; only these are traced, and nothing runs twice.
    measured=''
    others=''
    for module in dumpload/core/[a-z]*.py; do
        measured="$measured tests/test_${module##*/}"
        others="$others --ignore=tests/test_${module##*/}"
    done
    "$work/bin/pytest" --cov --cov-report= -n auto --dist worksteal -m "not ($real)" $measured
    "$work/bin/coverage" report --fail-under=100 --skip-covered
    "$work/bin/pytest" -n auto --dist worksteal -m "not ($real)" $others
    # What deals with the real world mostly waits, so that four wait at a time. Other files need not even be read.
    "$work/bin/pytest" -n 4 --dist worksteal -m "$real" \
        $(grep -lE 'mark\.(broker|slow|systemd|browser)' tests/test_*.py)
fi

for other in ${OTHER_PYTHONS-python3.11 python3.12 python3.13}; do
    "$other" -c '' 2>/dev/null || continue
    version=$("$other" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
    [ "$version" != "$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')" ] || continue
    say "the quick tests, on Python $version"
    make_venv "$other" "$work/$version"
    quiet_pip "$work/$version/bin/pip" install -q --force-reinstall --no-deps "$wheel"
    quiet_pip "$work/$version/bin/pip" install -q "${wheel}[test]"
    "$work/$version/bin/pytest" -q -m 'not broker and not slow and not systemd and not browser' "$@"
done

[ -z "$missing" ] || say "NOT RUN for want of:$missing (see the skips above)"
