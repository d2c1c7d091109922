"""The whole line on a virtual machine, after setting up .venv with locked versions.

Calibrates a virtual Heron with five test weights, records ten simulated
minutes, validates, and writes everything into demo-output/.
"""

from __future__ import annotations

import subprocess
import sys

import environment


def main() -> int:
    """Run ``steelyard demo`` in .venv; arguments are passed on."""
    python = environment.ensure("requirements.lock")
    command = [python, "-m", "steelyard.cli", "demo", *sys.argv[1:]]
    return subprocess.run(command, cwd=environment.ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
