"""What is handed out: wheel, Debian package, man page, completion, container file, and the demo's script."""

import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
UNITS = sorted(path.name for path in (ROOT / "systemd").glob("*.service"))


def ran(*words: object, env: dict[str, str] | None = None) -> str:
    done = subprocess.run(
        [*map(str, words)], capture_output=True, text=True, check=False, timeout=300, cwd=ROOT, env=env
    )
    assert done.returncode == 0, done.stderr
    return str(done.stdout)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    folder = tmp_path_factory.mktemp("wheel")
    pytest.importorskip("hatchling")
    ran(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder)
    (path,) = folder.glob("*.whl")
    return zipfile.ZipFile(path)


def test_the_wheel_has_the_licence_the_marker_the_examples_the_units_and_the_schema(wheel: zipfile.ZipFile) -> None:
    names = wheel.namelist()
    data = [name.partition(".data/data/")[2] for name in names]
    assert {"dumpload/LICENSE", "dumpload/py.typed", "dumpload/demo/run.sh"} <= set(names)
    assert {f"share/dumpload/systemd/{unit}" for unit in UNITS} <= set(data)
    examples = ("dumpload.toml", "minimal.toml", "schema.json", "REFERENCE.md")
    assert {f"share/dumpload/config/{name}" for name in examples} <= set(data)
    (metadata,) = [name for name in names if name.endswith(".dist-info/METADATA")]
    said = wheel.read(metadata).decode()
    assert "License-Expression: MIT\n" in said
    assert "License-File: dumpload/LICENSE\n" in said
    assert any(re.search(r"\.dist-info/licenses/.*LICENSE$", name) for name in names)


@pytest.mark.parametrize("name", ["dumpload.toml", "minimal.toml"])
def test_an_example_names_the_schema_beside_it(name: str) -> None:
    first = (ROOT / "config" / name).read_text().splitlines()[0]
    assert first.startswith("#:schema ./")
    assert (ROOT / "config" / first.removeprefix("#:schema ./")).is_file()


@pytest.mark.systemd
def test_the_debian_package_has_the_units_and_starts_nothing(tmp_path: Path) -> None:
    if not shutil.which("dpkg-deb"):
        pytest.skip("dpkg-deb is not here")
    ran("sh", "systemd/build-deb.sh", tmp_path, env={**os.environ, "PYTHON": sys.executable})
    (package,) = tmp_path.glob("dumpload_*_all.deb")
    listed = [line.split(maxsplit=5) for line in ran("dpkg-deb", "-c", package).splitlines()]
    files = {path: mode for mode, _owner, _size, _day, _time, path in listed}
    assert {f"./usr/lib/systemd/system/{unit}" for unit in UNITS} <= set(files)
    assert {"./usr/lib/sysusers.d/dumpload.conf", "./usr/share/doc/dumpload/copyright"} <= set(files)
    # What Debian's own checker asks for: root's files, nothing writable by others, nothing in /usr/local, /etc, /opt.
    assert {owner for _mode, owner, *_rest in listed} == {"root/root"}
    assert set(files.values()) == {"drwxr-xr-x", "-rw-r--r--"}
    assert not [path for path in files if re.match(r"\./(etc|opt|usr/local|var)", path)]
    control = ran("dpkg-deb", "-f", package)
    for field in ("Package: dumpload", "Architecture: all", "Maintainer: ", "Description: "):
        assert re.search(f"^{field}", control, re.MULTILINE)
    ran("dpkg-deb", "-e", package, tmp_path / "control")
    scripts = [tmp_path / "control" / name for name in ("postinst", "prerm", "postrm")]
    for script in scripts:
        assert os.access(script, os.X_OK)
        ran("sh", "-n", script)
        assert not re.search(r"\b(start|restart|enable|pip|curl|wget)\b", script.read_text())
    ran("dpkg-deb", "-x", package, tmp_path / "tree")
    groups = (tmp_path / "tree/usr/lib/sysusers.d/dumpload.conf").read_text()
    assert groups == "g gpio - -\ng dumpload_view - -\n"
    for unit in UNITS:
        assert (tmp_path / "tree/usr/lib/systemd/system" / unit).read_bytes() == (ROOT / "systemd" / unit).read_bytes()


def test_the_man_page_has_every_command(tmp_path: Path) -> None:
    pytest.importorskip("argparse_manpage")
    ran("sh", "systemd/build-deb.sh", tmp_path, env={**os.environ, "PYTHON": sys.executable})
    (package,) = tmp_path.glob("dumpload_*_all.deb")
    ran("dpkg-deb", "-x", package, tmp_path / "tree")
    page = ran("gzip", "-dc", tmp_path / "tree/usr/share/man/man1/dumpload.1.gz")
    assert page.startswith(".TH DUMPLOAD ")
    for command in ("run", "status", "select", "check", "replay", "report", "forget"):
        assert command in page


@pytest.mark.parametrize("shell", ["bash", "zsh", "tcsh"])
def test_completion_is_printed_for_the_usual_shells(shell: str, tmp_path: Path) -> None:
    pytest.importorskip("shtab")
    script = ran(sys.executable, "-m", "dumpload", "--print-completion", shell)
    assert "replay" in script
    (tmp_path / "completion").write_text(script)
    if shell == "bash" and shutil.which("bash"):
        words = (
            f". {tmp_path}/completion; COMP_WORDS=(dumpload rep); COMP_CWORD=1; _shtab_dumpload; echo ${{COMPREPLY[@]}}"
        )
        assert ran("bash", "-c", words).split() == ["replay", "report"]


def test_the_demos_script_says_what_is_missing(tmp_path: Path) -> None:
    ran("sh", "-n", "dumpload/demo/run.sh")
    for python, words in (
        ("nowhere-python", "There is no nowhere-python"),
        (tmp_path / "old", "Python 3.11 or newer is needed"),
    ):
        (tmp_path / "old").write_text('#!/bin/sh\n[ "$1" = --version ] && echo Python 3.9.2 && exit\nexit 1\n')
        (tmp_path / "old").chmod(0o755)
        environment = {**os.environ, "PYTHON": str(python)}
        done = subprocess.run(
            ["sh", "dumpload/demo/run.sh"], capture_output=True, text=True, env=environment, check=False, cwd=ROOT
        )
        assert done.returncode == 2
        assert words in done.stderr


def test_the_container_file_copies_what_is_there() -> None:
    text = (ROOT / "config/Containerfile").read_text()
    for line in re.findall(r"^COPY (.+) \S+$", text, re.MULTILINE):
        assert all((ROOT / name).exists() for name in line.split())
    assert 'ENTRYPOINT ["dumpload"]' in text
    assert re.search(r"^USER (?!root)", text, re.MULTILINE)
