"""Small named blobs in the microcontroller's own file system."""

_NO_ENTRY = 2  # ENOENT


class FlashFiles:
    """A write stops interrupts while the flash is busy: never call it while streaming."""

    def read(self, name):
        """The bytes stored under `name`, or None.  Raises OSError when reading fails."""
        try:
            with open(name, "rb") as file:
                return file.read()
        except OSError as error:
            if error.args and error.args[0] == _NO_ENTRY:
                return None
            raise

    def read_part(self, name, offset, length):
        """At most `length` bytes from `offset` on, or None without the file.  Raises OSError."""
        try:
            with open(name, "rb") as file:
                file.seek(offset)
                return file.read(length)
        except OSError as error:
            if error.args and error.args[0] == _NO_ENTRY:
                return None
            raise

    def append(self, name, data):
        """Add `data` at the end of `name`.  Raises OSError when it cannot be written."""
        with open(name, "ab") as file:
            file.write(data)

    def write(self, name, data):
        """Store `data` under `name`.  Raises OSError when it does not fit or cannot be written."""
        with open(name, "wb") as file:
            file.write(data)
