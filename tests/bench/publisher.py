"""Publishes on a plain socket and records when.

Arguments: port. Standard input: JSON, a list of [topic, payload, seconds to wait before]. Standard output: JSON, for
each topic the moments (monotonic ns) just before its messages were sent.
"""

import json
import sys
import time

import wire

sock = wire.connect(int(sys.argv[1]), "bench-publisher")
sent: dict[str, list[int]] = {}
plan = [(topic, wire.publication(topic, payload.encode()), wait_s) for topic, payload, wait_s in json.load(sys.stdin)]
due = time.monotonic()
for topic, data, wait_s in plan:
    due += wait_s
    time.sleep(max(0.0, due - time.monotonic()))
    sent.setdefault(topic, []).append(time.monotonic_ns())
    sock.sendall(data)
time.sleep(0.5)
json.dump(sent, sys.stdout)
