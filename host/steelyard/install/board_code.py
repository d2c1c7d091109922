"""What runs on the board during an installation: plain Python that MicroPython knows.

Each prints one line of JSON.  File names go in as JSON text.
"""

from __future__ import annotations

import json
from collections.abc import Iterable

IDENTIFY = """
import sys, json, binascii, machine
print(json.dumps({
    "implementation": sys.implementation[0],
    "version": list(sys.implementation[1])[:3],
    "platform": sys.platform,
    "id": binascii.hexlify(machine.unique_id()).decode(),
}))
"""

_CLEAR = """
import os, json
def clear(folder):
    removed = 0
    for name in os.listdir(folder):
        path = folder + "/" + name
        if os.stat(path)[0] & 0x4000:
            removed += clear(path)
        elif name.split(".")[-1] in ("py", "mpy"):
            os.remove(path)
            removed += 1
    return removed
here = os.listdir(".")
removed = 0
for name in START:
    if name in here:
        os.remove(name)
        removed += 1
for folder in FOLDERS:
    if folder in here:
        removed += clear(folder)
print(json.dumps({"removed": removed}))
"""

_DIGEST = """
import json, hashlib, binascii
found = {}
buffer = bytearray(512)
for name in NAMES:
    digest = hashlib.sha256()
    try:
        with open(name, "rb") as file:
            while True:
                count = file.readinto(buffer)
                if not count:
                    break
                digest.update(memoryview(buffer)[:count])
        found[name] = binascii.hexlify(digest.digest()).decode()
    except OSError:
        found[name] = ""
print(json.dumps(found))
"""


def clear(folders: Iterable[str], start_files: Iterable[str]) -> str:
    """Code that removes what starts by itself, and all modules in the firmware's folders.

    In the order given, so that a power cut never leaves what starts by itself
    without what it needs.  The box's settings and whatever else lies on the
    board stay.
    """
    return f"FOLDERS = {json.dumps(list(folders))}\nSTART = {json.dumps(list(start_files))}{_CLEAR}"


def digest(names: Iterable[str]) -> str:
    """Code that prints the SHA-256 of each file, empty where there is none."""
    return f"NAMES = {json.dumps(list(names))}{_DIGEST}"
