"""Write all that is derived from messages.py and board.py; --check only looks."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "protocol"), str(ROOT / "host")]

from steelyard.wiring import wiring_page  # noqa: E402 - found by the line above
from steelyard_protocol.generators import run  # noqa: E402


def main() -> int:
    """Generate, or check with --check."""
    if "--check" in sys.argv[1:]:
        problems = run.check(ROOT) + wiring_page.check_pages(ROOT)
        print("\n".join(problems) or "generated files are up to date")
        return 1 if problems else 0
    for path in run.write(ROOT) + wiring_page.write_pages(ROOT):
        print(f"wrote {path.relative_to(ROOT)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
