"""Start the box.  Runs at power-on; see `drivers.usb_link` for the ways back to the prompt."""

import select
import sys
import time

import board as standard_board
import machine
import micropython
from box.app import App
from drivers.flash_files import FlashFiles
from drivers.usb_link import UsbLink

_GRACE_MS = 2000
_GRACE_LOOK_MS = 50


def wait_grace(board):
    """Leave time for Ctrl-C; False when the service-mode pin asks for the prompt."""
    for _ in range(_GRACE_MS // _GRACE_LOOK_MS):
        if board.service_requested():
            return False
        time.sleep_ms(_GRACE_LOOK_MS)
    return True


def run():
    # A hard interrupt cannot allocate the text of an error: keep room for it.
    micropython.alloc_emergency_exception_buf(100)
    board = standard_board.build(machine, time)
    if not wait_grace(board):
        return
    link = UsbLink(sys.stdin, sys.stdout, select, micropython)
    app = App(board, link, time, FlashFiles())
    link.open()
    try:
        while not board.service_requested():
            app.step()
    finally:
        link.close()


if __name__ == "__main__":
    run()
