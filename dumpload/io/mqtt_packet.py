"""Reads the one kind of packet that comes all the time: a publication at QoS 0, whole. Bytes in, values out.

The library takes several times as long over a packet's envelope as the decision takes over its content. Whatever is
not plainly such a packet, a malformed one too, is left to the library. Sections 1.5.5 and 3.3 of MQTT 5.0, the same
in 3.1.1 but for the properties.
"""

from typing import NamedTuple

PUBLISH_QOS_0 = 0b0011_0000
RETAIN = 0b0000_0001
SHORTEST = 5
"""Bytes in a publication without payload on a topic of one letter."""

GOES_ON = 0x80
"""This bit in a byte of a length says that one more byte follows."""


class Publication(NamedTuple):
    """A message, and how many bytes of the stream it took."""

    topic: str
    payload: bytes
    retained: bool
    size: int


def read_publication(data: memoryview, *, five: bool) -> Publication | None:
    """Return the publication that begins `data`; None if it is anything else, not all there, or over 16 KiB.

    `five`: whether this is MQTT 5; a publication with properties is then left to the library.
    """
    if len(data) < SHORTEST or data[0] & ~RETAIN != PUBLISH_QOS_0:
        return None
    begin, length = 2, data[1]
    if length >= GOES_ON:
        if data[2] >= GOES_ON:
            return None
        begin, length = 3, length - GOES_ON + 128 * data[2]
    end = begin + length
    topic_begins = begin + 2
    topic_ends = topic_begins + 256 * data[begin] + data[begin + 1]
    payload_begins = topic_ends + 1 if five else topic_ends
    if end > len(data) or payload_begins > end or topic_ends == topic_begins:
        return None
    if five and data[topic_ends] != 0:
        return None
    try:
        topic = str(data[topic_begins:topic_ends], "utf-8")
    except UnicodeDecodeError:
        return None
    return Publication(topic, bytes(data[payload_begins:end]), bool(data[0] & RETAIN), end)
