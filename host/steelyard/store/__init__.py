"""Records of a practice: clients by code, set-ups, limits, consents, visits, results, trends.

`open_records` gives a `Records`; its parts take and give the plain records of
``kept``.  No type of the database library gets out, and its errors come as
those of ``store_errors``.  SQLite in a folder, or PostgreSQL on a server; the
schema is the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from steelyard.errors import MissingExtraError

if TYPE_CHECKING:
    from steelyard.store.records import Records, open_records, restore_records

__all__ = ["Records", "open_records", "restore_records"]


def __getattr__(name: str) -> Any:
    """Load the database library only for who keeps records."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    try:
        from steelyard.store import records
    except ImportError as error:
        raise MissingExtraError(
            f"Keeping records needs the library {error.name}, which is not installed.",
            "Install it with: pip install 'steelyard[store]'.",
        ) from error
    return getattr(records, name)
