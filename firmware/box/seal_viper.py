"""COBS stuffing in machine code: the same bytes as `box.seal.stuff_bytecode`.

A module of its own because a port without the native emitter refuses the
decorator when it compiles the file, and the importer then falls back.
"""

import micropython


@micropython.viper
def stuff(frame: ptr8, end: int):  # noqa: F821 - ptr8 is viper's own name for a byte pointer
    frame[end] = 0
    following = end
    index = end - 1
    while index > 0:
        if frame[index] == 0:
            frame[index] = following - index
            following = index
        index -= 1
    frame[0] = following
