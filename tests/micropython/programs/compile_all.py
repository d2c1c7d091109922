"""Compile the firmware files ARGUMENTS["names"]; print which were refused, as JSON."""

# ruff: noqa: PTH123 -- MicroPython has no pathlib

import json

refused = {}
compiled = 0
for name in ARGUMENTS["names"]:  # noqa: F821 - set by vm.mjs
    with open("/firmware/" + name) as file:
        source = file.read()
    try:
        compile(source, name, "exec")
        compiled += 1
    except SyntaxError as error:
        refused[name] = str(error)
print(json.dumps({"compiled": compiled, "refused": refused}))
