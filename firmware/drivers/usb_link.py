"""The box's end of the USB serial port, used so that nothing here can wait.

Why every write is exactly one 32-byte slot: MicroPython's port says "ready to
write" when ANY room is left in its 256-byte buffer, and a write that does not
fit then waits up to 500 ms for the host.  When only whole slots are ever
written, and the buffer and the USB packet (64 bytes) are multiples of a slot,
"any room" means "room for a slot": poll, then write, never waits.

What breaks the rule once: text printed before the box started (the boot
banner) may leave an odd number of bytes in the buffer until the host has read
them.  The host sees it as garbage between frames.

While no program has the port open, MicroPython 1.28 always says "ready" and its
buffer keeps the newest 256 bytes: what goes by is sent for all the box knows, so
it is in no `dropped_total`.  The gap in the sequence numbers shows it.

A computer that sleeps with the port open is the one case where the poll lies: the
port counts as closed, so it says "ready", but its buffer stays full, and the
write comes back short after 500 ms.  After a short write nothing is sent for
two seconds, so that the box measures, counts and warns on meanwhile.

Ctrl-C is a data byte like any other while the link is open, except that 64 in a
row ask for the prompt: it is how a program on the host gets at a box that is on
duty.  A stored text may contain as many, in the middle of its frame.  So they count
at once only after a delimiter or as the first bytes ever; anywhere else only when
silence follows, because a frame goes on.
"""

_CTRL_C = 3
PROMPT_AFTER_CTRL_C = 64
_SHORT_WRITE_PAUSE_MS = 2000
_SILENCE_MS = 100  # far longer than between two packets of one frame


class UsbLink:
    """Byte input and slot output over `stdin` and `stdout`.

    `select`, `micropython` and `clock` (`time`) are modules, or stand-ins.
    `prompt_wanted`: the host asked for the interactive prompt.
    """

    def __init__(self, stdin, stdout, select, micropython, clock):
        self._readinto = stdin.buffer.readinto
        self._write = stdout.buffer.write
        self._kbd_intr = micropython.kbd_intr
        self._ticks_ms = clock.ticks_ms
        self._ticks_diff = clock.ticks_diff
        incoming = select.poll()
        incoming.register(stdin, select.POLLIN)
        outgoing = select.poll()
        outgoing.register(stdout, select.POLLOUT)
        # ipoll reuses its own tuple; poll would build a list each time.
        self._poll_incoming = incoming.ipoll
        self._poll_outgoing = outgoing.ipoll
        self._one = bytearray(1)
        self._ctrl_c_run = 0
        self._ctrl_c_ms = 0
        self._starts_frame = True  # what comes next
        self._run_starts_frame = False
        self._pausing = False
        self._short_write_ms = 0
        self.prompt_wanted = False

    def open(self):
        """From now on Ctrl-C is data."""
        self._kbd_intr(-1)

    def close(self):
        """Give Ctrl-C its meaning back."""
        self._kbd_intr(_CTRL_C)

    def read_byte(self):
        """The next byte from the host, or -1."""
        for _ in self._poll_incoming(0):
            if self._readinto(self._one):
                byte = self._one[0]
                if byte == _CTRL_C:
                    self._count_ctrl_c()
                else:
                    self._ctrl_c_run = 0
                self._starts_frame = byte == 0
                return byte
        if self._ctrl_c_run >= PROMPT_AFTER_CTRL_C:
            if self._ticks_diff(self._ticks_ms(), self._ctrl_c_ms) >= _SILENCE_MS:
                self.prompt_wanted = True
        return -1

    def _count_ctrl_c(self):
        if not self._ctrl_c_run:
            self._run_starts_frame = self._starts_frame
        self._ctrl_c_run += 1
        if self._ctrl_c_run >= PROMPT_AFTER_CTRL_C:
            self._ctrl_c_ms = self._ticks_ms()
            if self._run_starts_frame:
                self.prompt_wanted = True

    def has_room(self):
        """True when a whole slot can be written without waiting."""
        if self._pausing:
            if self._ticks_diff(self._ticks_ms(), self._short_write_ms) < _SHORT_WRITE_PAUSE_MS:
                return False
            self._pausing = False
        for _ in self._poll_outgoing(0):  # any() would build a generator
            return True
        return False

    def write_slot(self, slot):
        """Write one slot of exactly 32 bytes; only after `has_room`."""
        if self._write(slot) != len(slot):
            self._pausing = True
            self._short_write_ms = self._ticks_ms()
