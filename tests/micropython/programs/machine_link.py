"""The firmware's own USB link on the virtual machine's standard input and output."""

import select
import sys
import time

import micropython
from drivers.usb_link import UsbLink


class MachineLink(UsbLink):
    """Differs in one thing: this port's standard input polls ready and then refuses to read."""

    def __init__(self):
        UsbLink.__init__(self, sys.stdin, sys.stdout, select, micropython, time)

    def read_byte(self):
        try:
            return UsbLink.read_byte(self)
        except OSError:
            return -1
