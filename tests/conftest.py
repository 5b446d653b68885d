"""What every test runs under."""

import signal

import pytest
from hypothesis import settings

# The same examples on every run, so that a run says something about the change and not about luck. `quick` is for every
# day, `full` draws more, `search` seeks new ones by chance; what it finds becomes an @example.
settings.register_profile("quick", deadline=None, derandomize=True, max_examples=25)
settings.register_profile("full", deadline=None, derandomize=True, max_examples=200)
settings.register_profile("search", deadline=None, max_examples=1000)
settings.load_profile("quick")

# A shell's job in the background ignores it, and so would every program that a test starts and interrupts.
signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what takes many minutes, unless it is asked for by its mark."""
    if "long" in config.getoption("markexpr"):
        return
    left_out = [item for item in items if item.get_closest_marker("long")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
