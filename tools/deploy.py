"""Put the firmware of this checkout on a board: ``python3 tools/deploy.py [--port PORT]``."""

from __future__ import annotations

import subprocess
import sys

import environment


def main() -> int:
    """Set up what is needed, then run ``steelyard install`` with the same arguments."""
    python = environment.ensure("requirements-test.lock")
    command = [python, "-m", "steelyard.cli", "install", *sys.argv[1:]]
    return subprocess.run(command, cwd=environment.ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
