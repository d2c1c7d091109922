"""Analyses of recordings, made once and kept while the file is the same."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from steelyard.errors import ScreenError
from steelyard.recording.file_format import SUFFIX
from steelyard.report.issue import IssuedReport, Reader, issue_report
from steelyard.report.recorded_analysis import RecordedAnalysis, examine_recording
from steelyard.strength.session_sheet import beside

KEPT: Final = 8


@dataclass
class Reviewing:
    """``folder`` holds recordings; reports go into ``reports`` beside it."""

    folder: Path
    calibrations: tuple[Path, ...] = ()
    practice: str = "Saltmarsh Back & Neck"
    _kept: OrderedDict[tuple[str, int, int], RecordedAnalysis] = field(default_factory=OrderedDict)

    def names(self) -> list[Path]:
        """Recordings, the latest first."""
        found = self.folder.glob(f"*{SUFFIX}")
        return sorted(found, key=lambda path: path.stat().st_mtime, reverse=True)

    def path(self, name: str) -> Path:
        """The recording of that name.  Raises ScreenError: there is none in this folder."""
        for path in self.names():
            if path.stem == name:
                return path
        raise ScreenError(
            f"There is no recording “{name[:60]}”.", "Choose one on the page Recordings."
        )

    async def analysis(self, name: str) -> RecordedAnalysis:
        """The analysis of a recording.  Raises RecordingError, SheetError, ScreenError."""
        path = self.path(name)
        sheet = beside(path)
        corrected_ns = sheet.stat().st_mtime_ns if sheet.exists() else 0
        key = (name, path.stat().st_mtime_ns, corrected_ns)
        if key not in self._kept:
            self._kept[key] = await asyncio.to_thread(examine_recording, path, self.calibrations)
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return self._kept[key]

    async def report(self, name: str, reader: Reader) -> IssuedReport:
        """Write the report for a reader.  Raises as `analysis`, and ReportError."""
        found = await self.analysis(name)
        issued_at = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        return await asyncio.to_thread(
            issue_report,
            found,
            reader,
            self.reports,
            issued_at=issued_at,
            practice=self.practice,
        )

    @property
    def reports(self) -> Path:
        """Where reports are."""
        return self.folder.parent / "reports"
