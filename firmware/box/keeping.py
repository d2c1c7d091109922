"""Answer the host's requests about stored texts; the store itself is `box.document_store`."""

from box.document_store import LENGTH_LIMIT, BadDocumentError
from box.wire import (
    DOCUMENT_PIECE_BYTES,
    ID_DESCRIBE_DOCUMENT,
    ID_ERASE_DOCUMENT,
    ID_READ_DOCUMENT,
    ID_WRITE_DOCUMENT,
    OUTCOME_BAD_ARGUMENT,
    OUTCOME_DONE,
    OUTCOME_REFUSED_WHILE_STREAMING,
    OUTCOME_STORAGE_FAILED,
    pack_document_part,
    pack_stored_document,
    unpack_describe_document,
    unpack_erase_document,
    unpack_read_document,
    unpack_write_document,
)


class Keeping:
    """`reply(correlation_id, request_id, outcome, detail)` posts the answers without content.

    Why nothing while streaming, not even reading: a text in the flash is read
    in tens of milliseconds, and a write stops interrupts.
    """

    def __init__(self, store, outbox, board, sampler):
        self._store = store
        self._outbox = outbox
        self._boot_id = board.boot_id
        self._sampler = sampler
        self.reply = None

    def answers(self):
        """What `box.requests` does for each request: unpack, answer."""
        return {
            ID_DESCRIBE_DOCUMENT: (unpack_describe_document, self._describe),
            ID_READ_DOCUMENT: (unpack_read_document, self._read),
            ID_WRITE_DOCUMENT: (unpack_write_document, self._write),
            ID_ERASE_DOCUMENT: (unpack_erase_document, self._erase),
        }

    def _attempt(self, correlation_id, request_id, work, *arguments):
        """Do it, or reply why not; False then."""
        if self._sampler.streaming:
            self.reply(correlation_id, request_id, OUTCOME_REFUSED_WHILE_STREAMING)
            return False
        try:
            work(*arguments)
        except BadDocumentError as refused:
            self.reply(correlation_id, request_id, OUTCOME_BAD_ARGUMENT, refused.value & 0x3FFFFFFF)
        except OSError:
            self.reply(correlation_id, request_id, OUTCOME_STORAGE_FAILED)
        else:
            return True
        return False

    def _describe(self, correlation_id, channel):
        self._attempt(
            correlation_id, ID_DESCRIBE_DOCUMENT, self._post_description, correlation_id, channel
        )

    def _post_description(self, correlation_id, channel):
        kind, length, crc = self._store.describe(channel)
        outbox = self._outbox
        outbox.post(
            pack_stored_document(
                outbox.scratch,
                1,
                correlation_id,
                self._boot_id,
                channel,
                kind,
                length,
                crc,
                LENGTH_LIMIT,
            )
        )

    def _read(self, correlation_id, channel, part):
        self._attempt(
            correlation_id, ID_READ_DOCUMENT, self._post_piece, correlation_id, channel, part
        )

    def _post_piece(self, correlation_id, channel, part):
        piece = self._store.read(channel, part)
        outbox = self._outbox
        outbox.post(
            pack_document_part(
                outbox.scratch,
                1,
                correlation_id,
                self._boot_id,
                channel,
                part,
                len(piece),
                piece + bytes(DOCUMENT_PIECE_BYTES - len(piece)),
            )
        )

    def _write(self, correlation_id, *arguments):
        if self._attempt(correlation_id, ID_WRITE_DOCUMENT, self._store.write, *arguments):
            self.reply(correlation_id, ID_WRITE_DOCUMENT, OUTCOME_DONE)

    def _erase(self, correlation_id, channel):
        if self._attempt(correlation_id, ID_ERASE_DOCUMENT, self._store.erase, channel):
            self.reply(correlation_id, ID_ERASE_DOCUMENT, OUTCOME_DONE)
