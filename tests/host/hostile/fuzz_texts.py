"""A coverage-guided fuzzer (atheris, over libFuzzer) for everything that reads texts.

``python fuzz_texts.py CORPUS -max_total_time=300``: a finding ends it with a trace and
leaves the input in a file ``crash-...``; keep its text as a case of `test_hostile_texts`.
"""

from __future__ import annotations

import sys

import atheris

with atheris.instrument_imports(include=["steelyard"]):
    from host.hostile.texts import check, made


def test_one_input(data: bytes) -> None:
    """One text for one parser."""
    check(*made(data))


if __name__ == "__main__":
    atheris.Setup(sys.argv, test_one_input)
    atheris.Fuzz()
