"""The box on duty: build the board and run the app until somebody wants the prompt."""

import select
import sys
import time

import board as standard_board
import machine
import micropython
from box.app import App
from drivers.flash_files import FlashFiles
from drivers.usb_link import UsbLink
from drivers.watchdog import Watchdog


def run():
    """Return when the service-mode pin or the host asks for the prompt."""
    # A hard interrupt cannot allocate the text of an error: keep room for it.
    micropython.alloc_emergency_exception_buf(100)
    board = standard_board.build(machine, time)
    link = UsbLink(sys.stdin, sys.stdout, select, micropython, time)
    step = App(board, link, time, FlashFiles()).step
    service_requested = board.service_requested
    watchdog = Watchdog(machine, standard_board.WATCHDOG_STOP)
    link.open()
    try:
        feed = watchdog.start()
        while not (link.prompt_wanted or service_requested()):
            step()
            feed()
    finally:
        link.close()
        watchdog.stop()
