#!/bin/sh
# Builds a Debian package of the units, the group they need, the examples, the licence and the man page. It starts
# nothing, enables nothing and fetches nothing; the program itself is a virtual environment in /opt/dumpload (README).
#   sh systemd/build-deb.sh [FOLDER]      writes dumpload_VERSION_all.deb into FOLDER (default: build)
# Needs dpkg-deb. With argparse-manpage and shtab in PYTHON's environment the man page and completions are made too.
set -eu
cd "$(dirname "$0")/.."
python=${PYTHON:-python3}
out=${1:-build}
command -v dpkg-deb >/dev/null || { echo "dpkg-deb is needed (Debian: apt install dpkg)" >&2; exit 2; }
version=$(sed -n 's/^__version__ = "\(.*\)"$/\1/p' dumpload/__init__.py)
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT
umask 022
chmod 755 "$root"
put() { install -D -m 644 "$1" "$root/$2"; }

for unit in systemd/*.service; do
    put "$unit" "usr/lib/systemd/system/$(basename "$unit")"
done
# The daemon runs as a dynamic user; what must be there is the group that may open the GPIO chips. The other one is for
# people who may look on.
mkdir -p "$root/usr/lib/sysusers.d" "$root/usr/share/doc/dumpload/examples" "$root/DEBIAN"
printf '%s\n' 'g gpio - -' 'g dumpload_view - -' >"$root/usr/lib/sysusers.d/dumpload.conf"
for example in dumpload.toml minimal.toml schema.json REFERENCE.md board.lock; do
    put "config/$example" "usr/share/doc/dumpload/examples/$example"
done
put README.md usr/share/doc/dumpload/README.md
put dumpload/LICENSE usr/share/doc/dumpload/copyright
if "$python" -c 'import argparse_manpage' 2>/dev/null; then
    mkdir -p "$root/usr/share/man/man1"
    PYTHONPATH=. "$python" -c 'from argparse_manpage.cli import main; main()' --module dumpload.cli.commands --function build_parser \
        --project-name dumpload --prog dumpload --version "$version" --output "$root/usr/share/man/man1/dumpload.1" >&2
    gzip -n9 "$root/usr/share/man/man1/dumpload.1"
fi
if "$python" -c 'import shtab' 2>/dev/null; then
    mkdir -p "$root/usr/share/bash-completion/completions" "$root/usr/share/zsh/vendor-completions"
    PYTHONPATH=. "$python" -m dumpload --print-completion bash >"$root/usr/share/bash-completion/completions/dumpload"
    PYTHONPATH=. "$python" -m dumpload --print-completion zsh >"$root/usr/share/zsh/vendor-completions/_dumpload"
fi

cat >"$root/DEBIAN/control" <<CONTROL
Package: dumpload
Version: $version
Architecture: all
Maintainer: the authors of dumpload <dumpload@localhost>
Depends: python3-venv, systemd
Recommends: mosquitto
Section: misc
Priority: optional
Description: units for a solar dump load that fails safe to off
 Switches a heater relay from battery telemetry, so that surplus solar power
 becomes hot water. This package has the units and examples; it starts and
 enables nothing. The README says what must be wired first.
CONTROL
cat >"$root/DEBIAN/postinst" <<'SCRIPT'
#!/bin/sh
set -e
if [ "$1" = configure ]; then
    systemd-sysusers dumpload.conf || true
    if [ -d /run/systemd/system ]; then systemctl daemon-reload; fi
fi
SCRIPT
# Stop the units before removing them; a unit that stops drives its line off.
cat >"$root/DEBIAN/prerm" <<'SCRIPT'
#!/bin/sh
set -e
if [ "$1" = remove ] && [ -d /run/systemd/system ]; then
    systemctl stop 'dumpload.service' 'dumpload@*.service'
fi
SCRIPT
cat >"$root/DEBIAN/postrm" <<'SCRIPT'
#!/bin/sh
set -e
if [ -d /run/systemd/system ]; then systemctl daemon-reload; fi
SCRIPT
chmod 755 "$root/DEBIAN/postinst" "$root/DEBIAN/prerm" "$root/DEBIAN/postrm"
(cd "$root" && find usr -type f -exec md5sum {} + >DEBIAN/md5sums)
mkdir -p "$out"
dpkg-deb --root-owner-group --build "$root" "$out/dumpload_${version}_all.deb"
