"""Measures the daemon against the floors and prints one table. Run by hand on a quiet machine, never in CI.

python tests/bench/run.py [NAME...]      NAME: one of the benches below; none: all of them
"""

import contextlib
import importlib
import os
import sys

BENCHES = (
    "pin_latency",
    "start",
    "off",
    "idle",
    "burst",
    "faults",
    "replay_speed",
    "plant_speed",
    "tune_speed",
    "tune_search",
    "report",
    "export",
    "viewers",
)


def main() -> int:
    names = sys.argv[1:] or BENCHES
    if unknown := set(names) - set(BENCHES):
        print(f"unknown: {', '.join(sorted(unknown))}; expected any of: {', '.join(BENCHES)}", file=sys.stderr)
        return 2
    with contextlib.suppress(PermissionError):
        os.nice(-20)  # a busy machine then disturbs less; floor and ours alike
    missed = 0
    print(f"{'measure':72}  {'floor':>12}  {'ours':>12}  {'ratio':>6}  {'limit':>10}  verdict")
    for name in names:
        for row in importlib.import_module(name).measure():
            ratio = "-" if row.ratio is None else f"{row.ratio:.2f}"
            verdict = "ok" if row.fine else "MISSED"
            print(
                f"{row.measure:72}  {row.floor:>12}  {row.ours:>12}  {ratio:>6}  {row.limit:>10}  {verdict}", flush=True
            )
            missed += not row.fine
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
