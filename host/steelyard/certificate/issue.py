"""Writing a certificate: a page, a document, and the data beside them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from steelyard.calibration import AnyCalibration
from steelyard.calibration.canonical_json import canonical_text
from steelyard.calibration.history import History
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import CalibrationFileError, MissingExtraError


@dataclass(frozen=True)
class IssuedCertificate:
    """The three files of a certificate."""

    web_page: Path
    paper: Path
    data: Path


def issue_certificate(
    calibration: AnyCalibration,
    history: History,
    folder: Path,
    *,
    issued_at: str,
    practice: str = "",
    machine: str = "",
) -> IssuedCertificate:
    """Write the certificate as HTML, PDF and JSON into ``folder``.

    Made again it is written over: the calibration is the record, this is its
    picture.  Raises MissingExtraError when the packages for drawing are missing,
    CalibrationFileError when the disk refuses.
    """
    try:
        from steelyard.certificate.content import certificate_of
        from steelyard.printed.paper import paper
        from steelyard.printed.web_page import web_page

        made = certificate_of(
            calibration, history, issued_at=issued_at, practice=practice, machine=machine
        )
    except ImportError as error:
        raise MissingExtraError(
            f"A certificate cannot be drawn: {error.name} is not installed.",
            "Install the extra packages: pip install 'steelyard[report]'.",
        ) from error
    stem = f"certificate-{calibration.calibration_id[:12]}"
    files = IssuedCertificate(
        folder / f"{stem}.html", folder / f"{stem}.pdf", folder / f"{stem}.json"
    )
    data = {
        "schema": "steelyard calibration certificate",
        "schema_version": 1,
        "issued_at": issued_at,
        "practice": practice,
        "machine": machine,
        "caution": made.caution,
        **made.data,
    }
    contents = {
        files.web_page: web_page(made).encode("utf-8"),
        files.paper: paper(made),
        files.data: canonical_text(data).encode("ascii"),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, content in contents.items():
            write_whole(path, content)
    except OSError as error:
        raise CalibrationFileError(
            f"The certificate could not be written to {folder}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error
    return files
