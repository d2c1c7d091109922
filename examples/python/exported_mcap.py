"""Read an exported MCAP file: every table is a topic, every row a JSON object."""

import json
import sys
from pathlib import Path

from mcap.reader import make_reader

with Path(sys.argv[1]).open("rb") as file:
    for _, channel, message in make_reader(file).iter_messages(topics=["/events"]):
        row = json.loads(message.data)
        print(channel.topic, message.log_time, row["kind"], row["channel"])
