"""The whole line on a virtual machine, after setting up .venv with locked versions.

Calibrates a virtual Heron with five test weights, records ten simulated
minutes, validates, and writes everything into demo-output/.  At the end it says
how to open the screens and learn a whole visit on them.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import environment

SCREENS = """
To learn a whole visit on screen, with a virtual machine and client in real time:
  {program} screen --rehearse steady
It opens the operator's pages in a browser and says where the client's display is. Other
clients: rushed, slipping, weak, stops. The page Today changes the client while it runs.
Ctrl-C ends it. More machines: --machine wren"""


def main() -> int:
    """Run ``steelyard demo`` in .venv; arguments are passed on."""
    python = environment.ensure("requirements.lock")
    command = [python, "-m", "steelyard.cli", "demo", *sys.argv[1:]]
    code = subprocess.run(command, cwd=environment.ROOT, check=False).returncode
    if not code and "--help" not in sys.argv:
        print(SCREENS.format(program=program_beside(python)))
    return code


def program_beside(python: Path) -> Path:
    """The installed command, as it can be typed from the project's folder."""
    name = "steelyard.exe" if python.suffix == ".exe" else "steelyard"
    return python.with_name(name).relative_to(environment.ROOT)


if __name__ == "__main__":
    sys.exit(main())
