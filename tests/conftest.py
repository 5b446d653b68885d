"""What every test runs under."""

import signal

from hypothesis import settings

# The same examples on every run, so that a run says something about the change and not about luck. New ones are sought
# with --hypothesis-profile=search; what it finds becomes an @example.
settings.register_profile("steady", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None, max_examples=1000)
settings.load_profile("steady")

# A shell's job in the background ignores it, and so would every program that a test starts and interrupts.
signal.signal(signal.SIGINT, signal.default_int_handler)
