"""For programs that a test interrupts wherever they are."""

import os


def unmeasured() -> dict[str, str]:
    """Return an environment in which no coverage is measured.

    What measures it takes a lock that is never given back when an interrupt comes just then: the program would hang.
    """
    return {key: value for key, value in os.environ.items() if not key.startswith("COVERAGE_PROCESS_")}
