"""Putting the firmware on a board, and making sure that it is what runs there.

`image` knows the firmware's files, `prompt` the board's interactive prompt (by
way of the program mpremote), `installation` does the steps in their order.
"""

from __future__ import annotations

from steelyard.install.installation import Installed, install
from steelyard.install.prompt import Prompt

__all__ = ["Installed", "Prompt", "install"]
