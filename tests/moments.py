"""Random evidence, and the law asked at every moment of it."""

import math
import random
from typing import Any

from world import NOON

from dumpload.core import law
from dumpload.core.law import Cause, Inputs, Limits, Position

CHARGES = [98.0, 97.0, 96.9, 95.0, 93.0, 92.9, 60.0, 50.0, 49.0]


def random_evidence(seed: int) -> Any:
    """Charges that stay for a while, some lost, and a permissive that comes and goes."""
    import numpy as np  # noqa: PLC0415  (only where the extra is installed)

    from dumpload.study.fast import evidence  # noqa: PLC0415

    draw = random.Random(seed)  # noqa: S311
    t, charge, cause = NOON, 97.0, Cause.NONE
    moments: list[tuple[float, float, bool, int]] = []
    for number in range(draw.randrange(1, 150)):
        t += draw.choice([0.5, 5.0, 30.0, 60.0, 300.0])
        kind = draw.random() if number else 1.0
        charge = draw.choice(CHARGES) if draw.random() < 0.3 else charge
        cause = draw.choice([Cause.NONE, Cause.NONE, Cause.OUTSIDE_WINDOW, Cause.TANK_HOT]) if kind < 0.2 else cause
        if kind < 0.1:
            moments.append((t, math.nan, False, cause))
        elif kind < 0.15:
            moments.append((t, moments[-1][1], False, cause))
        else:
            moments.append((t, charge, True, cause))
    times, charges, is_sample, causes = (np.array(column) for column in zip(*moments, strict=True))
    return evidence.evidence_of(times, charges, is_sample, causes.astype(np.uint8))


def asked_everywhere(evidence: Any, limits: Limits, began: float, ended: float) -> list[tuple[float, int, float]]:
    """Return when the relay moves, why, and with which charge, the law being asked at every moment and dwell's end."""
    memory, inputs = law.start(began), None
    moves: list[tuple[float, int, float]] = []

    def ask(memory: law.Memory, shown: Inputs) -> law.Memory:
        verdict = law.step(limits, memory, shown)
        if verdict.memory.position != memory.position:
            moves.append((shown.t, int(verdict.cause), shown.state_of_charge))
        return verdict.memory

    def due(memory: law.Memory) -> float:
        return memory.relay_since + (limits.min_on_s if memory.position == Position.ON else limits.min_off_s)

    for place in range(len(evidence.shown)):
        shown = evidence.shown[place]
        if inputs is not None and inputs.t < due(memory) < shown.t:
            memory = ask(memory, inputs._replace(t=due(memory), is_sample=False))
        memory, inputs = ask(memory, shown), shown
    if inputs is not None and inputs.t < due(memory) <= ended:
        ask(memory, inputs._replace(t=due(memory), is_sample=False))
    return moves
