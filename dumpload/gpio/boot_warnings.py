"""What is doubtful about the relay's pin: its polarity, its state while the board starts, what the kernel does with it.

Reads three kernel parameters and nothing else; must not import a pin library.
"""

import contextlib
from pathlib import Path

from dumpload.gpio.line import PinSpec

KERNEL_MODULES = Path("/sys/module")
# Kernel parameters that make a released output keep its level (raspberrypi/linux pull requests 6117 and 6150).
KEEPING_PARAMETERS = (
    "pinctrl_bcm2835/parameters/persist_gpio_outputs",
    "pinctrl_rp1/parameters/persist_gpio_outputs",
    "gpio_sim/parameters/persist_outputs",
)

# BCM 0 to 8 have their pull-ups on at reset (BCM2835 ARM Peripherals, table of alternative functions; from memory).
PULLED_UP_AT_BOOT = range(9)

# BCM 14 and 15 carry the serial console on many set-ups (common practice, no source).
CONSOLE_AT_BOOT = (14, 15)


def warnings_about(spec: PinSpec) -> list[str]:
    """Return what is doubtful about this pin: polarity, its state at boot, a kernel that keeps released outputs."""
    warnings = []
    if not spec.active_high:
        warnings.append("relay.active_high = false: a floating or reset pin may close the relay")
    if spec.pin in PULLED_UP_AT_BOOT:
        warnings.append(f"GPIO{spec.pin} is pulled up while the board starts; prefer GPIO 16 to 27")
    if spec.pin in CONSOLE_AT_BOOT:
        warnings.append(f"GPIO{spec.pin} may be the serial console while the board starts; prefer GPIO 16 to 27")
    if spec.pin_factory == "lgpio":
        warnings += [
            f"{parameter.split('/')[0]}.{parameter.split('/')[-1]} is on: after a crash the line keeps its level"
            " until `dumpload off` has run (dtparam=strict_gpiod changes that)"
            for parameter in KEEPING_PARAMETERS
            if _is_set(KERNEL_MODULES / parameter)
        ]
    return warnings


def _is_set(parameter: Path) -> bool:
    with contextlib.suppress(OSError):
        return parameter.read_text(encoding="ascii").strip() in {"Y", "1"}
    return False
