"""Which GPIO line the relay hangs on: the chip found by its label, and what is wrong with either in plain words.

Standard library and lgpio only, because the emergency command that drives the pin off goes through here. Must not
import gpiozero, and only `claim_off` touches a line: as an output, at its off level.
"""

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, NamedTuple

DEVICES = Path("/dev")
# The chip behind a board's pin header has a label that begins so (pinctrl-bcm2711, pinctrl-rp1); from memory.
HEADER_PREFIX = "pinctrl-"

CHIP_LABEL_FIELD = 3
LINE_HOLDER_FIELD = 4


class PinSpec(NamedTuple):
    """The relay's line: BCM `pin`, its polarity, the chip's label (None: the header's), an optional feedback pin."""

    pin: int
    active_high: bool
    chip_label: str | None
    pin_factory: Literal["lgpio", "mock"]
    feedback_pin: int | None

    @property
    def off_level(self) -> int:
        """The level, 0 or 1, at which the relay is released."""
        return 0 if self.active_high else 1


class Chip(NamedTuple):
    """An open GPIO chip: lgpio's handle, N of /dev/gpiochipN, the label."""

    handle: int
    number: int
    label: str


class RelayError(Exception):
    """The line cannot be driven. The text names pin and chip, what went wrong and what to change."""


class LineBusyError(RelayError):
    """Another program holds the line."""


class NoChipError(RelayError):
    """The chip is not there, or not yet: its driver's module may come late."""


def load_lgpio() -> Any:
    """Return the lgpio library, imported without leaving a file or another working directory behind.

    Raises:
        RelayError: the library is missing or cannot start.
    """
    if "lgpio" in sys.modules:
        return sys.modules["lgpio"]
    # At import it makes a named pipe in the folder `LG_WD` and moves there. Each process gets a folder of its own: two
    # in one folder would read each other's edges.
    before = os.open(".", os.O_PATH)
    previous = os.environ.get("LG_WD")
    folder = _make_private_folder()
    os.environ["LG_WD"] = str(folder)
    try:
        import lgpio
    except ImportError as error:
        text = f"the pin library lgpio cannot be imported ({error}); install dumpload[gpio] or the board's package"
        raise RelayError(text) from error
    except OSError as error:
        text = f"the pin library lgpio cannot start in {folder} ({error}); expected room for a named pipe"
        raise RelayError(text) from error
    finally:
        os.fchdir(before)
        os.close(before)
        if previous is None:
            del os.environ["LG_WD"]
        else:
            os.environ["LG_WD"] = previous
        _remove_folder(folder)
    return lgpio


def open_chip(lg: Any, spec: PinSpec) -> Chip:
    """Return the one chip with the wanted label, open; every other is closed again. Numbers move between kernels.

    Raises:
        NoChipError: no such chip, more than one, or none may be opened.
    """
    opened: list[Chip] = []
    refused: list[Path] = []
    for number, device in _chip_devices():
        try:
            handle = lg.gpiochip_open(number)
            opened.append(Chip(handle, number, lg.gpio_get_chip_info(handle)[CHIP_LABEL_FIELD]))
        except lg.error:
            refused.append(device)
    matching = [chip for chip in opened if _is_wanted(chip.label, spec.chip_label)]
    for chip in opened:
        if len(matching) != 1 or chip != matching[0]:
            lg.gpiochip_close(chip.handle)
    if len(matching) != 1:
        text = f"GPIO{spec.pin}: {_why_no_chip(spec, opened, refused)}"
        raise NoChipError(text)
    return matching[0]


def claim_off(lg: Any, chip: Chip, spec: PinSpec) -> None:
    """Make the line an output at its off level, in one step, and read it back.

    Raises:
        LineBusyError: another program holds it.
        RelayError: anything else, or it reads on.
    """
    try:
        lg.gpio_claim_output(chip.handle, spec.pin, spec.off_level)
        level = lg.gpio_read(chip.handle, spec.pin)
    except lg.error as error:
        raise explain(lg, chip, spec.pin, error) from error
    if level != spec.off_level:
        raise RelayError(still_on(f"GPIO{spec.pin} ({chip.label})"))


def still_on(line: str) -> str:
    """Return what to say when a line does not follow."""
    return f"{line} still reads on after being driven off: look for a short, or for another driver of this pin"


def explain(lg: Any, chip: Chip, pin: int, error: Exception) -> RelayError:
    """Return what a failure of the library on this pin means and what to change."""
    line = f"GPIO{pin} ({chip.label})"
    reason = str(getattr(error, "value", error))
    if "busy" in reason or "in use" in reason:
        try:
            holder = f'"{lg.gpio_get_line_info(chip.handle, pin)[LINE_HOLDER_FIELD]}"'
        except lg.error:
            holder = "an unknown program"
        return LineBusyError(f"{line} is in use, held by {holder}: stop that program first")
    if "GPIO number" in reason:
        return RelayError(f"{line}: {reason}; expected a line that this chip has: see relay.pin, relay.chip_label")
    return RelayError(f"{line}: {reason}")


def _is_wanted(label: str, expected: str | None) -> bool:
    return label.startswith(HEADER_PREFIX) if expected is None else label == expected


def _chip_devices() -> Iterator[tuple[int, Path]]:
    """Yield each chip once, by number; some systems give a chip a second name by a link."""
    identities: set[int] = set()
    paths = [path for path in DEVICES.glob("gpiochip*") if path.name.removeprefix("gpiochip").isdigit()]
    for path in sorted(paths, key=lambda path: (path.is_symlink(), int(path.name.removeprefix("gpiochip")))):
        with contextlib.suppress(OSError):  # a link to nowhere
            identity = path.stat().st_rdev or path.stat().st_ino
            if identity not in identities:
                identities.add(identity)
                yield int(path.name.removeprefix("gpiochip")), path


def _why_no_chip(spec: PinSpec, opened: list[Chip], refused: list[Path]) -> str:
    barred = [str(path) for path in refused if not os.access(path, os.R_OK | os.W_OK)]
    if not opened and barred:
        how = "a user in the group gpio (in a unit: SupplementaryGroups=gpio and DeviceAllow=char-gpiochip rw)"
        return f"{', '.join(barred)} may not be opened, expected {how}"
    expected = f"one chip labelled {spec.chip_label}" if spec.chip_label else f"one chip labelled {HEADER_PREFIX}..."
    if not opened and not refused:
        return f"no GPIO chip ({DEVICES}/gpiochip*) here, expected {expected}; is the device hidden from this service?"
    labels = ", ".join(sorted(chip.label for chip in opened)) or "none"
    closed = f" (and {len(refused)} that would not open)" if refused else ""
    return f"expected {expected}, found: {labels}{closed}; set relay.chip_label"


def _make_private_folder() -> Path:
    parents = [os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0], os.environ.get("TMPDIR", ""), "/tmp", "/run"]  # noqa: S108 - a new folder, closed to others
    for parent in filter(None, parents):
        folder = Path(parent) / f"lgpio-{os.getpid()}-{os.urandom(4).hex()}"
        try:
            folder.mkdir(mode=0o700)
        except OSError:
            continue
        return folder
    text = f"the pin library lgpio needs a folder it can write; none of {', '.join(filter(None, parents))} is one"
    raise RelayError(text)


def _remove_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):
        # Both ends are open already: the names are not needed any more.
        for pipe in folder.iterdir():
            pipe.unlink()
        folder.rmdir()
