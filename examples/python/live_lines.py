"""`steelyard publish` as JSON lines: all it takes is a socket and JSON, in any language."""

import json
import socket
import sys

with socket.create_connection((sys.argv[1], int(sys.argv[2]))) as connection:
    for line in connection.makefile("rb"):
        message = json.loads(line)
        for sample in message.get("samples", ()):
            print(sample["channel"], sample["sequence"], sample["counts"], sample["flags"])
        if message["type"] in ("gap", "loss", "link"):
            print(message, file=sys.stderr)  # what is missing, and whether the box is there
