"""Named blobs in the file system."""

from __future__ import annotations

from pathlib import Path

import pytest
from drivers.flash_files import FlashFiles


def test_what_was_written_is_read_and_what_was_not_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    files = FlashFiles()
    assert files.read("settings.a") is None
    files.write("settings.a", b"\x00\x01")
    files.write("settings.a", b"\x02")
    assert files.read("settings.a") == b"\x02"


def test_another_failure_is_not_taken_for_absence(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="irectory"):
        FlashFiles().read(str(tmp_path))


def test_a_file_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    files = FlashFiles()
    assert files.read_part("document0.a", 0, 9) is None
    files.write("document0.a", b"head")
    files.append("document0.a", b"and tail")
    assert files.read("document0.a") == b"headand tail"
    assert files.read_part("document0.a", 4, 3) == b"and"
    assert files.read_part("document0.a", 8, 99) == b"tail"
    assert files.read_part("document0.a", 12, 1) == b""
    with pytest.raises(OSError, match="irectory"):
        files.read_part(str(tmp_path), 0, 1)
