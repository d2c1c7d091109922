"""The box's own frames by WebSocket: python live_frames.py ws://127.0.0.1:5392/wire"""

import sys

from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.records import LoadSample
from websockets.sync.client import connect

decoder = StreamDecoder()
with connect(sys.argv[1]) as stream:
    for piece in stream:
        for event in decoder.feed(piece) if isinstance(piece, bytes) else ():
            if isinstance(event, Message) and isinstance(event.record, LoadSample):
                sample = event.record
                print(sample.channel, sample.sequence, sample.load_counts, sample.flags)
