"""``python -m steelyard.cli``."""

from steelyard.cli import main

main()
