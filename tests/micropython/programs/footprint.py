"""Weigh the firmware in memory: each file while it is compiled, and all of it at work.

The virtual machine has 32-bit pointers and objects like the RP2040's, so what
it takes there is close to what it takes on the board.  It collects garbage only
between two calls (see vm.mjs), hence the steps.
"""

# ruff: noqa: PTH123 -- MicroPython has no pathlib

import gc
import json

COMPILED = {}
MARKS = []
HELD = []


def compile_one(name):
    """Bytes that compiling the file takes at its worst: source, syntax tree and bytecode."""
    gc.collect()
    before = gc.mem_alloc()
    with open("/firmware/" + name) as file:
        source = file.read()
    compile(source, name, "exec")
    COMPILED[name] = gc.mem_alloc() - before


def mark():
    MARKS.append(gc.mem_alloc())
    gc.collect()


def load():
    import quiet_parts
    from box.app import App

    mark()
    _, clock, board, _ = quiet_parts.build()

    class NoFiles:
        def read(self, name):
            return None

    HELD.append(App(board, quiet_parts.QuietLink(), clock, NoFiles()))
    gc.collect()


def report():
    print(json.dumps({"compiled": COMPILED, "marks": MARKS}))
