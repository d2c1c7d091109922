"""Parts simulated at their pins.

Every file here runs on CPython and on MicroPython: relative imports between
siblings only, no dataclasses, no typing at run time, no numpy.  A part gets
its clock and its inputs (plain callables) when it is made.
"""
