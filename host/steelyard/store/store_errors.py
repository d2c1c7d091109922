"""What keeping records raises on purpose; a branch of the tree in ``steelyard.errors``.

::

    SteelyardError
    └── StoreError
        ├── StoreExtraError          a library for keeping records is not installed
        ├── PlaceError               the folder or the server cannot be used or reached
        ├── StoreDiskError           the disk is full, read-only or failing; or the file is in use
        ├── StoreVersionError        made by a newer version, or by another program
        ├── StoreDamagedError        the database or its audit trail is not whole
        ├── EntryError               what was given cannot be entered
        │   └── ClientCodeError      it is no client code
        ├── NotKeptError             there is no such client, visit or service
        ├── AlreadyKeptError         there is one already
        ├── ChangedMeanwhileError    somebody else changed it since it was read
        └── ConsentError             no consent in force for a maximal test
"""

from __future__ import annotations

from steelyard.errors import SteelyardError


class StoreError(SteelyardError):
    """Records cannot be kept or found."""


class StoreExtraError(StoreError):
    """A library for keeping records is not installed."""


class PlaceError(StoreError):
    """The folder or the server where records are kept cannot be used."""


class StoreDiskError(StoreError):
    """The disk is full, read-only or failing, or another program holds the file.

    Nothing that was kept before is harmed; what was being entered was not kept.
    """


class StoreVersionError(StoreError):
    """The database was made by a newer version, or by another program."""


class StoreDamagedError(StoreError):
    """The database or its audit trail is not whole."""


class EntryError(StoreError):
    """What was given cannot be entered."""


class ClientCodeError(EntryError):
    """A text that is no client code."""


class NotKeptError(StoreError):
    """There is no such client, visit or service."""


class AlreadyKeptError(StoreError):
    """There is one already."""


class ChangedMeanwhileError(StoreError):
    """Somebody else changed it since it was read.  Nothing was overwritten."""


class ConsentError(StoreError):
    """There is no consent in force for a maximal test."""
