"""Run every check and every test, after setting up .venv with locked versions.

Any arguments go to pytest: ``python3 tools/test.py -k decoder``.
"""

from __future__ import annotations

import subprocess
import sys

import environment
import system_packages


def main() -> int:
    """Static checks first, then the tests on both cores."""
    python = environment.ensure("requirements-test.lock")
    environment.ensure_node_packages()
    system_packages.ensure()
    failed = 0
    if len(sys.argv) == 1:
        failed = subprocess.run(
            [python, environment.ROOT / "tools" / "check.py"], cwd=environment.ROOT, check=False
        ).returncode
    command = [python, "-m", "pytest", "-n", "2", "--dist", "loadgroup", "-q", *sys.argv[1:]]
    return subprocess.run(command, cwd=environment.ROOT, check=False).returncode or failed


if __name__ == "__main__":
    sys.exit(main())
