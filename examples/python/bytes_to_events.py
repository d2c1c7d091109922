"""Only the protocol package: bytes from anywhere in, events out, never an exception."""

import sys
from collections import Counter

from steelyard_protocol.decoder import Message, StreamDecoder

decoder, kinds = StreamDecoder(), Counter()
while data := sys.stdin.buffer.read(4096):
    for event in decoder.feed(data):
        thing = event.record if isinstance(event, Message) else event
        kinds[type(thing).__name__] += 1
print(dict(sorted(kinds.items())))
