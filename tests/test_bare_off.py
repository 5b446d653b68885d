"""The second way off: the recorded line, by the kernel's own interface, with nothing but the standard library."""

import fcntl
import os
import shutil
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import dumpload
from dumpload.gpio import bare_off, last_line

HEADER, PIN = "pinctrl-bcm2711", 17
UAPI = Path("/usr/include/linux/gpio.h")

# The kernel's own header is the judge of every number and of where each field lies.
MEASURE = r"""
#include <linux/gpio.h>
#include <stddef.h>
#include <stdio.h>
#define AT(field) (int)offsetof(struct gpio_v2_line_request, field)
int main(void) {
    printf("%lu %lu %lu %d %d\n", (unsigned long)GPIO_GET_CHIPINFO_IOCTL, (unsigned long)GPIO_V2_GET_LINE_IOCTL,
        (unsigned long)GPIO_V2_LINE_GET_VALUES_IOCTL, (int)GPIO_V2_LINE_FLAG_OUTPUT,
        (int)GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES);
    printf("%d %d %d\n", (int)sizeof(struct gpiochip_info), (int)sizeof(struct gpio_v2_line_request),
        (int)sizeof(struct gpio_v2_line_values));
    printf("%d %d %d %d %d %d %d %d %d\n", AT(offsets), AT(consumer), AT(config.flags), AT(config.num_attrs),
        AT(config.attrs[0].attr.id), AT(config.attrs[0].attr.values), AT(config.attrs[0].mask), AT(num_lines), AT(fd));
    return 0;
}
"""


class FakeKernel:
    """One chip behind the ioctls that the command makes; unpacks by the header's offsets, not by the code's."""

    def __init__(self) -> None:
        self.level = 1
        self.label = HEADER
        self.requests: list[tuple[int, int, int]] = []
        self.error: OSError | None = None
        self.shorted = False

    def ioctl(self, _descriptor: int, number: int, data: bytes | bytearray) -> bytes | int:
        if number == bare_off.GET_CHIP_INFO:
            return struct.pack("=32s32sI", b"gpiochip0", self.label.encode(), 28)
        if number == bare_off.GET_VALUES:
            return struct.pack("=QQ", self.level, 1)
        assert number == bare_off.GET_LINE
        if self.error is not None:
            raise self.error
        (offset,), (flags,), (level, mask) = (
            struct.unpack_from(form, data, at) for form, at in (("=I", 0), ("=Q", 288), ("=QQ", 328))
        )
        assert (struct.unpack_from("=I", data, 296), struct.unpack_from("=I", data, 560)) == ((1,), (1,))
        assert (flags, mask) == (1 << 3, 1)
        self.requests.append((offset, level, mask))
        self.level = 1 if self.shorted else level
        assert isinstance(data, bytearray)
        struct.pack_into("=i", data, 588, os.open(os.devnull, os.O_RDONLY))
        return 0


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> FakeKernel:
    fake = FakeKernel()
    (tmp_path / "dev").mkdir()
    (tmp_path / "dev" / "gpiochip0").touch()
    (tmp_path / "dev" / "gpiochip4").symlink_to("gpiochip0")
    (tmp_path / "run").mkdir()
    monkeypatch.setattr(bare_off, "DEVICES", str(tmp_path / "dev"))
    monkeypatch.setattr(fcntl, "ioctl", fake.ioctl)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    return fake


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


Record = Callable[..., None]


@pytest.fixture
def record() -> Record:
    def write(active_high: bool = True, label: str = HEADER) -> None:
        last_line.write_records(os.environ, label, PIN, active_high=active_high)

    return write


@pytest.mark.parametrize(("active_high", "off_level"), [(True, 0), (False, 1)])
def test_the_recorded_line_is_driven_to_its_off_level_in_one_request(
    active_high: bool, off_level: int, kernel: FakeKernel, record: Record, capfd: pytest.CaptureFixture[str]
) -> None:
    kernel.level = 1 - off_level
    record(active_high)
    before = open_files()
    assert bare_off.main() == 0
    assert open_files() == before
    assert (kernel.requests, kernel.level) == ([(PIN, off_level, 1)], off_level)
    assert capfd.readouterr().err.startswith("GPIO17 (pinctrl-bcm2711) driven off, as recorded in ")


def test_two_records_of_one_line_are_driven_once_as_the_newer_one_says(
    kernel: FakeKernel, record: Record, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "state").mkdir()
    last_line.write_records({"STATE_DIRECTORY": f"{tmp_path}/state"}, HEADER, PIN, active_high=False)
    record(active_high=True)
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    assert bare_off.main() == 0
    assert kernel.requests == [(PIN, 0, 1)]


def test_nothing_recorded_is_nothing_to_do(kernel: FakeKernel, capfd: pytest.CaptureFixture[str]) -> None:
    assert bare_off.main() == 0
    assert (kernel.requests, capfd.readouterr().err) == ([], "")


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda kernel: setattr(kernel, "error", OSError(16, "Device or resource busy")), "Device or resource busy"),
        (lambda kernel: setattr(kernel, "shorted", True), "still reads on after being driven off"),
        (lambda kernel: setattr(kernel, "label", "other"), "expected one chip labelled so, found 0"),
    ],
    ids=["busy", "shorted", "no chip"],
)
def test_a_line_that_cannot_be_driven_is_a_failure_with_its_reason(
    spoil: Callable[[FakeKernel], None],
    says: str,
    kernel: FakeKernel,
    record: Record,
    capfd: pytest.CaptureFixture[str],
) -> None:
    record()
    spoil(kernel)
    assert bare_off.main() == 1
    assert says in capfd.readouterr().err


def test_a_record_that_is_none_does_not_spare_the_other(
    kernel: FakeKernel, record: Record, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "state").mkdir()
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    record()
    (tmp_path / "run" / "line").unlink()
    os.mkfifo(tmp_path / "run" / "line")
    assert bare_off.main() == 1
    assert kernel.level == 0


@pytest.mark.skipif(not UAPI.exists() or shutil.which("cc") is None, reason="takes the kernel's header and a compiler")
def test_every_number_is_the_kernel_headers(tmp_path: Path) -> None:
    (tmp_path / "measure.c").write_text(MEASURE)
    subprocess.run(["cc", "-o", tmp_path / "measure", tmp_path / "measure.c"], check=True)
    done = subprocess.run([tmp_path / "measure"], capture_output=True, text=True, check=True)
    numbers, sizes, places = ([int(word) for word in row.split()] for row in done.stdout.splitlines())
    ours = [bare_off.GET_CHIP_INFO, bare_off.GET_LINE, bare_off.GET_VALUES, bare_off.OUTPUT, bare_off.OUTPUT_VALUES]
    assert numbers == ours
    assert sizes == [form.size for form in (bare_off.CHIP_INFO, bare_off.LINE_REQUEST, bare_off.LINE_VALUES)]
    assert places == [0, 256, 288, 296, 320, 328, 336, 560, 588]
    marks = (1, b"c" * 32, 2, 3, 4, 5, 6, 7, 8, 9, 10)
    packed = bare_off.LINE_REQUEST.pack(*marks)
    fields = [
        struct.unpack_from(form, packed, at)[0]
        for form, at in zip(["I", "Q", "I", "I", "Q", "Q", "I", "i"], [0, *places[2:]], strict=True)
    ]
    assert fields == [1, 2, 3, 4, 6, 7, 8, 10]


# The process


def test_a_process_imports_nothing_but_the_standard_library_and_the_record(tmp_path: Path) -> None:
    code = (
        "import sys; sys.argv[1:] = ['off', '--recorded']; from dumpload.__main__ import main; status = main();"
        "print(sorted(name for name in sys.modules if name.startswith('dumpload')), 'pathlib' in sys.modules);"
        "sys.exit(status)"
    )
    environ = {"PYTHONPATH": str(Path(dumpload.__file__).parents[1]), "RUNTIME_DIRECTORY": str(tmp_path)}
    done = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=False, env=environ)
    ours = ["dumpload", "dumpload.__main__", "dumpload.gpio", "dumpload.gpio.bare_off", "dumpload.gpio.last_line"]
    assert (done.returncode, done.stdout, done.stderr) == (0, f"{ours} False\n", "")
