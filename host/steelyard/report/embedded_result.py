"""The result inside the web page of its report, so that the page proves itself.

It is data, no program: a script element of a type that no browser runs.  The hash
beside it covers everything that is to be seen on the page.
"""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Any, Final

from steelyard.errors import ResultFileError
from steelyard.report.result_file import StoredResult, parsed_result

_SCRIPT: Final = re.compile(
    r'<script type="application/json" id="steelyard-result" data-page-sha256="([0-9a-f]{64})">'
    r"(.*?)</script>\n",
    re.DOTALL,
)


def with_result(page: str, content: dict[str, Any]) -> str:
    """The page with the result in it, before the end of its body."""
    # Inside a script element only "</" and "<!--" matter; JSON can spell < another way.
    text = json.dumps(content, sort_keys=True, allow_nan=False).replace("<", "\\u003c")
    tag = (
        '<script type="application/json" id="steelyard-result" '
        f'data-page-sha256="{_hash(page)}">{text}</script>\n'
    )
    place = page.rindex("</body>")
    return page[:place] + tag + page[place:]


def result_of_page(path: Path) -> tuple[StoredResult, bool]:
    """The result in a report's web page, and whether what is to be seen there is untouched.

    Raises ResultFileError when there is none.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ResultFileError(f"{path} could not be read: {error}.", "Check the name.") from error
    found = _SCRIPT.search(text)
    if found is None:
        raise ResultFileError(
            f"{path} holds no session result.", "Give a report's web page, or the result itself."
        )
    page = text[: found.start()] + text[found.end() :]
    return parsed_result(found[2], path), _hash(page) == found[1]


def _hash(page: str) -> str:
    return hashlib.sha256(page.encode("utf-8")).hexdigest()
