"""Steelyard: measurements for seated back-extension and neck-extension machines.

Importing this package costs next to nothing: every part is imported by the
name of its own module (``steelyard.device``, ``steelyard.recording``, ...), so
that a command that only prints its help does not wait for numpy.
"""

from __future__ import annotations

__version__ = "0.1.0"
