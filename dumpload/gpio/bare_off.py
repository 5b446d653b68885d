"""The command `dumpload off --recorded`: drive the recorded line off through the kernel itself, and nothing else.

It is the second of two commands after every exit, and is made of other parts than the first: no settings, no pin
library, no folder to write. The kernel's interface is the GPIO character device, version 2 (linux/gpio.h, since Linux
5.10). Standard library only. Must not import anything of ours but the record.
"""

import contextlib
import fcntl
import os
import struct
from collections.abc import Iterator

from dumpload.gpio.last_line import FOLDER_VARIABLES, LastLine, find_records, read_record

DEVICES = "/dev"
CONSUMER = b"dumpload off"

# struct gpiochip_info: name, label, lines.
CHIP_INFO = struct.Struct("=32s32sI")
GET_CHIP_INFO = 0x8044B401

# struct gpio_v2_line_request: offsets[64], consumer, then its struct gpio_v2_line_config (flags, num_attrs, padding,
# one attribute of ten: id, padding, values, mask), num_lines, event_buffer_size, padding, fd.
LINE_REQUEST = struct.Struct("=I252x32sQI20xIIQQ216xII20xi")
GET_LINE = 0xC250B407
OUTPUT = 1 << 3
OUTPUT_VALUES = 2

# struct gpio_v2_line_values: bits, mask.
LINE_VALUES = struct.Struct("=QQ")
GET_VALUES = 0xC010B40E


class LineError(Exception):
    """The recorded line cannot be driven off: which, and why."""

    def __str__(self) -> str:
        """Return both in one line."""
        recorded, why = self.args
        return f"GPIO{recorded.pin} ({recorded.label}): {why}"


def main() -> int:
    """Drive every recorded line off; return 0 if all read off, else 1."""
    status = 0
    pins: set[tuple[str, int]] = set()
    for path in find_records(os.environ):
        try:
            recorded = read_record(path)
            if recorded is None or (recorded.label, recorded.pin) in pins:
                continue
            pins.add((recorded.label, recorded.pin))
            drive_off(recorded)
            text = f"GPIO{recorded.pin} ({recorded.label}) driven off, as recorded in {path}"
        except Exception as error:  # noqa: BLE001 - there may be another line to drive off yet
            status, text = 1, f"dumpload off --recorded: {error}"
        # Past Python's buffers: nobody may be reading.
        with contextlib.suppress(OSError):
            os.write(2, f"{text}\n".encode())
    return status


def drive_off(recorded: LastLine) -> None:
    """Make the line an output at its off level, in one step, and read it back.

    Raises:
        LineError: no such chip or line, another program holds it, or it reads on.
    """
    chips = [device for device, label in chip_labels() if label == recorded.label]
    if len(chips) != 1:
        raise LineError(recorded, f"expected one chip labelled so, found {len(chips)}")
    try:
        level = drive(chips[0], recorded.pin, recorded.off_level)
    except OSError as error:
        raise LineError(recorded, f"cannot be driven off: {error.strerror}") from error
    if level != recorded.off_level:
        raise LineError(recorded, "still reads on after being driven off")


def chip_labels() -> Iterator[tuple[str, str]]:
    """Yield each GPIO chip's device and label; links to one, and what cannot be opened, are passed over."""
    for name in sorted(os.listdir(DEVICES)):
        device = f"{DEVICES}/{name}"
        if not name.startswith("gpiochip") or os.path.islink(device):
            continue
        try:
            chip = os.open(device, os.O_RDWR | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            info = fcntl.ioctl(chip, GET_CHIP_INFO, bytes(CHIP_INFO.size))
        finally:
            os.close(chip)
        yield device, CHIP_INFO.unpack(info)[1].split(b"\0")[0].decode("utf-8", "replace")


def drive(device: str, pin: int, level: int) -> int:
    """Claim the line as an output at this level, read it, let go of it; return what it reads.

    Raises:
        OSError: as the kernel has it.
    """
    request = bytearray(LINE_REQUEST.pack(pin, CONSUMER, OUTPUT, 1, OUTPUT_VALUES, 0, level, 1, 1, 0, 0))
    chip = os.open(device, os.O_RDWR | os.O_CLOEXEC)
    try:
        fcntl.ioctl(chip, GET_LINE, request)
    finally:
        os.close(chip)
    line = LINE_REQUEST.unpack(request)[-1]
    try:
        return int(LINE_VALUES.unpack(fcntl.ioctl(line, GET_VALUES, LINE_VALUES.pack(0, 1)))[0])
    finally:
        os.close(line)


def drive_off_if_recorded() -> None:
    """Drive off at the daemon's start, before anything heavy is loaded, what a killed daemon may have left on."""
    if any(os.environ.get(name) for name in FOLDER_VARIABLES):
        main()
