"""Any number of boxes behind TCP ports, in real time, cheap enough to outrun a broker.

All boxes send the same frames, so a frame is encoded once.  ``device_ticks_us``
of a sample is this computer's monotonic clock when the frame was handed to the
network, so a consumer on the same computer can tell how old it is.

As a program: ``python paced_boxes.py COUNT RATE PERIOD`` prints the port numbers
as one line of JSON, then serves until its input ends, then prints what was sent.
"""

from __future__ import annotations

import contextlib
import json
import queue
import selectors
import socket
import sys
import threading
import time
from dataclasses import dataclass, field
from typing import Any

from host.device.scripted_box import ScriptedBox, identity
from steelyard_protocol.codec import encode
from steelyard_protocol.messages import TICKS_PERIOD_US
from steelyard_protocol.records import LoadSample

BOOT_ID = 1111


def ticks_now_us() -> int:
    return time.monotonic_ns() // 1000 % TICKS_PERIOD_US


@dataclass
class _Seat:
    box: ScriptedBox
    listener: socket.socket
    caller: socket.socket | None = None
    unsent: bytearray = field(default_factory=bytearray)


class PacedBoxes:
    """``rate_hz`` samples a second from each of ``count`` boxes, sent every ``period_seconds``."""

    def __init__(self, count: int, rate_hz: float, period_seconds: float | None = None) -> None:
        self.rate_hz = rate_hz
        self.period_seconds = period_seconds or 1 / rate_hz
        self.samples_sent_total = 0
        self.late_seconds = 0.0
        self.unsent_limit_bytes = 1 << 20
        self.overflows_total = 0
        self.quiet = False
        self._selector = selectors.DefaultSelector()
        self._seats = [self._seat(number) for number in range(count)]
        self._stop = threading.Event()
        self._hang_up = threading.Event()
        self._reboots: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._sequence = 0
        self._thread = threading.Thread(target=self._run, name="paced boxes")
        self._thread.start()

    @property
    def numbers(self) -> list[int]:
        return [seat.listener.getsockname()[1] for seat in self._seats]

    def hang_up(self) -> None:
        """End every connection; new ones are taken."""
        self._hang_up.set()

    def reboot(self, boot_id: int) -> None:
        """The first box starts anew behind the open link, and says who it is."""
        self._reboots.put(boot_id)

    def skip(self, count: int) -> None:
        """So many samples are never sent."""
        self._sequence += count

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        for seat in self._seats:
            self._part(seat)
            seat.listener.close()
        self._selector.close()

    def _seat(self, number: int) -> _Seat:
        box_id = b"\xe6\x61\x00\x00\x00\x00" + number.to_bytes(2, "big")
        box = ScriptedBox(identity(box_id=box_id, boot_id=BOOT_ID))
        listener = socket.create_server(("127.0.0.1", 0))
        listener.setblocking(False)
        seat = _Seat(box, listener)
        self._selector.register(listener, selectors.EVENT_READ, seat)
        return seat

    def _run(self) -> None:
        begun = due = time.monotonic()
        made = 0
        while not self._stop.is_set():
            self._serve(max(0.0, due - time.monotonic()))
            if self._hang_up.is_set():
                self._hang_up.clear()
                for seat in self._seats:
                    self._part(seat)
            while not self._reboots.empty():
                self._start_anew(self._seats[0], self._reboots.get())
            now = time.monotonic()
            if now < due:
                continue
            self.late_seconds = max(self.late_seconds, now - due)
            due += self.period_seconds
            wanted = int((now - begun) * self.rate_hz)
            self._send(0 if self.quiet else wanted - made)
            made = wanted

    def _start_anew(self, seat: _Seat, boot_id: int) -> None:
        seat.box.reboot(boot_id)
        for record in seat.box.describe():
            self._give(seat, encode(record))

    def _serve(self, timeout_seconds: float) -> None:
        for key, _ in self._selector.select(timeout_seconds):
            seat: _Seat = key.data
            if key.fileobj is seat.listener:
                self._part(seat)
                caller, _ = seat.listener.accept()
                caller.setblocking(False)
                caller.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                seat.caller = caller
                self._selector.register(caller, selectors.EVENT_READ, seat)
            elif seat.caller is not None:
                try:
                    data = seat.caller.recv(4096)
                except OSError:
                    data = b""
                if not data:
                    self._part(seat)
                    continue
                seat.box.now_us = time.monotonic_ns() // 1000
                self._give(seat, seat.box.receive(data))

    def _send(self, count: int) -> None:
        frames = b"".join(self._frame() for _ in range(count))
        for seat in self._seats:
            if seat.caller is not None and (seat.unsent or (frames and seat.box.streaming)):
                streaming = frames if seat.box.streaming else b""
                self.samples_sent_total += count if streaming else 0
                self._give(seat, streaming)

    def _frame(self) -> bytes:
        self._sequence += 1
        return encode(
            LoadSample(
                channel=0,
                flags=0,
                boot_id=self._seats[0].box.identity.boot_id,
                sequence=self._sequence,
                device_ticks_us=ticks_now_us(),
                load_counts=1000 + self._sequence % 5000,
                angle_counts=2048,
                angle_age_us=900,
            )
        )

    def _give(self, seat: _Seat, data: bytes) -> None:
        if seat.caller is None:
            return
        seat.unsent += data
        if len(seat.unsent) > self.unsent_limit_bytes:
            self.overflows_total += 1
            seat.unsent.clear()
        with contextlib.suppress(OSError):
            del seat.unsent[: seat.caller.send(seat.unsent)]

    def _part(self, seat: _Seat) -> None:
        if seat.caller is not None:
            self._selector.unregister(seat.caller)
            seat.caller.close()
            seat.caller = None
            seat.box.streaming = False
            seat.unsent.clear()


def main(words: list[str]) -> None:
    boxes = PacedBoxes(int(words[0]), float(words[1]), float(words[2]))
    print(json.dumps(boxes.numbers), flush=True)
    sys.stdin.read()
    boxes.close()
    usage: dict[str, Any] = {
        "samples_sent_total": boxes.samples_sent_total,
        "overflows_total": boxes.overflows_total,
        "late_seconds": boxes.late_seconds,
        "cpu_seconds": time.process_time(),
    }
    print(json.dumps(usage), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
