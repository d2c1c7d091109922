"""The box: everything between the sensors' drivers and the port.

Nothing in this package imports `machine` or `rp2`: pins, clock, port and
storage are handed in, so the same files run on the microcontroller, in the
MicroPython virtual machine and on CPython.
"""
