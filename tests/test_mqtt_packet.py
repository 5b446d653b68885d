"""A publication read without the library: byte for byte what the library would say, or else left to it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from dumpload.io.mqtt_packet import Publication, read_publication


def length(value: int) -> bytes:
    """Return a length as the protocol has it: seven bits to a byte, low ones first (MQTT 5.0, section 1.5.5)."""
    coded = b""
    while True:
        value, seven = divmod(value, 128)
        coded += bytes([seven | (128 if value else 0)])
        if not value:
            return coded


def publish(topic: bytes, payload: bytes, *, five: bool, flags: int = 0, properties: bytes = b"") -> bytes:
    body = len(topic).to_bytes(2, "big") + topic + (length(len(properties)) + properties if five else b"") + payload
    return bytes([0x30 | flags]) + length(len(body)) + body


both_protocols = pytest.mark.parametrize("five", [True, False], ids=["5", "3.1.1"])


@both_protocols
@pytest.mark.parametrize("retained", [True, False])
@pytest.mark.parametrize("size", [0, 1, 100, 127, 128, 1000, 16_000])
def test_a_whole_publication_is_read(five: bool, retained: bool, size: int) -> None:
    data = publish(b"barge/bank", b"9" * size, five=five, flags=int(retained))
    expected = Publication("barge/bank", b"9" * size, retained, len(data))
    assert read_publication(memoryview(data + b"and the next packet"), five=five) == expected


@both_protocols
def test_a_publication_that_is_not_all_there_is_left(five: bool) -> None:
    data = publish(b"barge/bank", b"97.5" * 40, five=five)
    assert all(read_publication(memoryview(data[:end]), five=five) is None for end in range(len(data)))


@both_protocols
@pytest.mark.parametrize(
    ("what", "data"),
    [
        ("QoS 1", b"\x32\x07\x00\x01a\x00\x01\x0097"),
        ("a duplicate", b"\x38\x06\x00\x01a\x0097"),
        ("an answer to a ping", b"\xd0\x00\x30\x05\x00\x01a\x00"),
        ("a topic that is not UTF-8", publish(b"\xff\xfe", b"97", five=True)),
        ("an empty topic", publish(b"", b"97", five=True)),
        ("a topic longer than the packet", b"\x30\x06\x00\x30a\x0097"),
        ("a topic that ends with the packet's neighbour", b"\x30\x03\x00\x02a" + bytes(8)),
        ("a packet of 16 KiB", publish(b"a", bytes(16_384), five=True)),
        ("a length that never ends", b"\x30\xff\xff\xff\xff" + bytes(300)),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_anything_else_is_left_to_the_library(what: str, data: bytes, five: bool) -> None:
    assert read_publication(memoryview(data), five=five) is None, what


def test_a_publication_with_properties_is_left_to_the_library() -> None:
    expires_in_90_s = b"\x02\x00\x00\x00\x5a"
    data = publish(b"barge/bank", b"97", five=True, properties=expires_in_90_s)
    assert read_publication(memoryview(data), five=True) is None


class Library(paho.Client):
    """The library, fed with bytes."""

    def __init__(self, *, five: bool) -> None:
        super().__init__(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5 if five else paho.MQTTv311)
        self.data = b""
        self.heard: list[tuple[str, bytes, bool]] = []
        self.on_message = self.hear

    def hear(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload), message.retain))

    def _sock_recv(self, bufsize: int) -> bytes:
        if not self.data:
            raise BlockingIOError
        data, self.data = self.data[:bufsize], self.data[bufsize:]
        return data


texts = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=200)
publications = st.builds(
    lambda topic, payload, flags: (topic.encode(), payload, flags), texts, st.binary(max_size=300), st.integers(0, 15)
)


@both_protocols
@given(one=publications, noise=st.binary(max_size=4), at=st.integers(0, 40))
def test_what_is_read_is_what_the_library_reads(
    five: bool, one: tuple[bytes, bytes, int], noise: bytes, at: int
) -> None:
    topic, payload, flags = one
    data = publish(topic, payload, five=five, flags=flags)
    data = data[:at] + noise + data[at + len(noise) :]
    ours = read_publication(memoryview(data), five=five)
    if ours is not None:
        library = Library(five=five)
        library.data = data[: ours.size]
        library._packet_read()
        assert library.heard == [(ours.topic, ours.payload, ours.retained)]
        assert not library.data
