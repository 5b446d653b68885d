"""The floor of idling: a plain socket that receives a sample, reads its number, and waits for the next.

Arguments: port, topic.
"""

import sys

import wire

sock = wire.connect(int(sys.argv[1]), "bench-idle")
wire.subscribe(sock, sys.argv[2])
print("up", flush=True)
begins = 2 + 2 + len(sys.argv[2])
while data := sock.recv(4096):
    float(data[begins:])
