"""Looks at the live page as many browsers at once and reads what comes. Arguments: the port, how many."""

import selectors
import socket
import sys

port, count = map(int, sys.argv[1:])
selector = selectors.DefaultSelector()
for _ in range(count):
    line = socket.create_connection(("127.0.0.1", port))
    line.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\nAccept: text/event-stream\r\n\r\n")
    assert line.recv(12) == b"HTTP/1.1 200"
    selector.register(line, selectors.EVENT_READ)
print("looking", flush=True)
while True:
    for key, _ in selector.select():
        assert key.fileobj.recv(65_536), "the page let a viewer go"  # type: ignore[union-attr]
