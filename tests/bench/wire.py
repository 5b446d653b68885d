"""Just enough MQTT 3.1.1 on a plain socket to publish and to subscribe, so that no library is measured with it."""

import socket
import struct


def packet(kind: int, body: bytes) -> bytes:
    """Return a packet: its first byte, the length of its body in seven-bit groups, the body."""
    length, left = b"", len(body)
    while True:
        left, group = divmod(left, 128)
        length += bytes([group | 128 if left else group])
        if not left:
            return bytes([kind]) + length + body


def text(words: str) -> bytes:
    """Return a string as the protocol has it, with its length."""
    return struct.pack(">H", len(words.encode())) + words.encode()


def publication(topic: str, payload: bytes) -> bytes:
    """Return a message at QoS 0."""
    return packet(0x30, text(topic) + payload)


def connect(port: int, client_id: str) -> socket.socket:
    """Return a socket that the broker has accepted as a client."""
    sock = socket.create_connection(("127.0.0.1", port))
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    sock.sendall(packet(0x10, text("MQTT") + bytes([4, 2]) + struct.pack(">H", 0) + text(client_id)))
    assert sock.recv(4)[3] == 0, "the broker refused"
    return sock


def subscribe(sock: socket.socket, topic: str) -> None:
    """Subscribe at QoS 0 and wait for the answer."""
    sock.sendall(packet(0x82, struct.pack(">H", 1) + text(topic) + b"\0"))
    assert sock.recv(5)[0] == 0x90, "no answer to the subscription"
