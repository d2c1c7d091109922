"""A coverage-guided fuzzer (atheris, over libFuzzer) for decoders, validator and readers.

``python fuzz_recordings.py CORPUS -runs=100000 -rss_limit_mb=0``: any promise broken ends it with a
trace and leaves the input in a file ``crash-...``; turn that into a case in
``tests/fixtures/hostile``.  No limit of memory because what atheris adds to the code grows by
a quarter of a megabyte a run; the same inputs without it do not.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["steelyard", "steelyard_protocol"]):
    from host.recording.hostile_inputs import (
        check_decoders_agree,
        check_file,
        check_stream,
        fuzz_bytes,
    )
    from steelyard.recording.file_format import Subject, new_header
    from steelyard.transport.port import WallClock
    from steelyard_protocol import codec

HEADER = codec.encode(new_header(Subject(), WallClock()))
PATH = Path(tempfile.mkdtemp(prefix="steelyard-fuzz-")) / "fuzz.steelyard"


def test_one_input(data: bytes) -> None:
    """One input: as it is, and with right CRCs behind a right header."""
    check_stream(data)
    made = fuzz_bytes(data)
    check_decoders_agree(made)
    check_file(PATH, HEADER + made)


if __name__ == "__main__":
    atheris.Setup(sys.argv, test_one_input)
    atheris.Fuzz()
