"""Which boxes of all sites are live, and their samples, by MQTT: python live_sites.py HOST PORT"""

import json
import sys

from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion


def heard(client: Client, _: object, message: MQTTMessage) -> None:
    """Print what one box of one site says."""
    site, box, kind = message.topic.split("/")[2:]
    content = json.loads(message.payload)
    print(site, box, content["live"] if kind == "link" else len(content["samples"]))


client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
client.on_message = heard
client.connect(sys.argv[1], int(sys.argv[2]))
client.subscribe([("steelyard/v1/+/+/link", 1), ("steelyard/v1/+/+/samples", 0)])
client.loop_forever()
