"""Runs before main.py, and must always return: so there is nothing in it to go wrong.

It is here to take the place of whatever boot.py the board had before, which
might switch USB off or never come back.
"""
