"""Being another user of the machine for a moment; only root can."""

import os
from collections.abc import Iterator
from contextlib import contextmanager

# Any that are nobody's here; the second group stands for that of the viewers.
NOBODY, STRANGER, VIEWERS = 65534, 64001, 64002


@contextmanager
def acting_as(user: int, group: int) -> Iterator[None]:
    """Open and connect as this user, in this group and no other, until the end of the block."""
    groups = os.getgroups()
    os.setgroups([])
    os.setegid(group)
    os.seteuid(user)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
        os.setgroups(groups)
