"""Scripted boxes behind real ports: a pseudo-terminal or a TCP socket, in real time."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from host.device.scripted_box import ScriptedBox


class PtyBox:
    """A box on a pseudo-terminal that can be unplugged and plugged in again.

    ``path`` stays the same, as a link to the terminal of the moment.  POSIX only.
    """

    def __init__(self, path: Path, box: ScriptedBox, period_seconds: float = 0.0) -> None:
        self.path = path
        self.box = box
        self.period_seconds = period_seconds
        self.received = b""
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._master: int | None = None
        self._slave: int | None = None

    def plug(self) -> None:
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._slave))
        self._stop.clear()
        self._thread = threading.Thread(target=self._serve, args=(self._master,))
        self._thread.start()

    def unplug(self) -> None:
        if self._thread is None or self._master is None or self._slave is None:
            return
        self._stop.set()
        self._thread.join()
        self._thread = None
        self.path.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)

    def send(self, data: bytes) -> None:
        assert self._master is not None
        os.write(self._master, data)

    def _serve(self, master: int) -> None:
        due = time.monotonic()
        while not self._stop.is_set():
            self.box.now_us = time.monotonic_ns() // 1000
            if select.select([master], [], [], 0.002)[0]:
                try:
                    data = os.read(master, 4096)
                except OSError:  # nobody has the other side open just now
                    time.sleep(0.001)
                    continue
                self.received += data
                self._write(master, self.box.receive(data))
            if self.period_seconds and self.box.streaming and time.monotonic() >= due:
                count = 1 + int((time.monotonic() - due) / self.period_seconds)
                due += count * self.period_seconds
                self._write(master, self.box.samples(min(count, 50)))

    def _write(self, master: int, data: bytes) -> None:
        with contextlib.suppress(OSError):
            if data and select.select([], [master], [], 0)[1]:
                os.write(master, data)


@contextlib.contextmanager
def pty_box(path: Path, box: ScriptedBox | None = None, period: float = 0.0) -> Iterator[PtyBox]:
    served = PtyBox(path, box or ScriptedBox(), period)
    served.plug()
    try:
        yield served
    finally:
        served.unplug()


class TcpBox:
    """A box that listens on a TCP port of this machine and takes one caller at a time."""

    def __init__(self, box: ScriptedBox) -> None:
        self.box = box
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.number = self._listener.getsockname()[1]
        self._stop = threading.Event()
        self._hang_up = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    @property
    def port(self) -> str:
        return f"socket://127.0.0.1:{self.number}"

    def hang_up(self) -> None:
        self._hang_up.set()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._listener.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            if select.select([self._listener], [], [], 0.01)[0]:
                caller, _ = self._listener.accept()
                with caller:
                    self._talk(caller)

    def _talk(self, caller: socket.socket) -> None:
        self._hang_up.clear()
        while not self._stop.is_set() and not self._hang_up.is_set():
            self.box.now_us = time.monotonic_ns() // 1000
            if select.select([caller], [], [], 0.005)[0]:
                data = caller.recv(4096)
                if not data:
                    return
                caller.sendall(self.box.receive(data))


@contextlib.contextmanager
def tcp_box(box: ScriptedBox | None = None) -> Iterator[TcpBox]:
    served = TcpBox(box or ScriptedBox())
    try:
        yield served
    finally:
        served.close()
