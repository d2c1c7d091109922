"""Calibrated values with their uncertainty by WebSocket: python live_values.py ws://.../json"""

import json
import sys

from websockets.sync.client import connect

with connect(sys.argv[1]) as stream:
    for text in stream:
        message = json.loads(text)
        if message["type"] == "metadata":  # comes first, and again whenever it changes
            values = {one["channel"]: one["value"] for one in message["channels"]}
            if not any(values.values()):
                print("raw counts only: give `steelyard publish` a calibration", file=sys.stderr)
        for sample in message.get("samples", ()):
            if (value := values[sample["channel"]]) and sample["sound"]:
                u = sample[value["uncertainty_key"]]
                print(f"{sample[value['key']]:.2f} ± {2 * u:.2f} {value['unit']} (k = 2)")
