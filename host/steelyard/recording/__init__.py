"""Recordings: what a box sent, kept byte for byte, with the host's own remarks.

A recording (suffix ``.steelyard``) is an append-only sequence of wire frames.
Each part is imported by the name of its module, so that a command loads only
what it uses:

- ``recorder``   drives a box and records it
- ``writer``     the file itself: header, device bytes, host frames
- ``reader``     a whole recording as numpy columns, or batch by batch
- ``validator``  is this recording sound? In constant memory, on any bytes
- ``repair``     a copy without the torn tail; the original stays as it is
- ``export``     CSV and Parquet
"""
