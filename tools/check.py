"""Static checks: lint, format, types, and that no generated file is stale."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CHECKS = (
    ("ruff", "check", "."),
    ("ruff", "format", "--check", "."),
    ("mypy",),
)


def main() -> int:
    """Run them all and report each."""
    failed = []
    commands = [[sys.executable, "-m", *words] for words in CHECKS]
    commands.append([sys.executable, str(ROOT / "tools" / "generate.py"), "--check"])
    for command in commands:
        name = " ".join(Path(word).name for word in command[1:] if word != "-m")
        print(f"-- {name}", flush=True)
        if subprocess.run(command, cwd=ROOT, check=False).returncode:
            failed.append(name)
    print("static checks: " + (f"FAILED: {', '.join(failed)}" if failed else "all passed"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
