"""A fixture: every test must give back its threads and its file descriptors."""

from __future__ import annotations

import gc
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest


def open_descriptors() -> set[str]:
    if sys.platform != "linux":
        return set()
    found = set()
    for entry in Path("/proc/self/fd").iterdir():
        try:
            found.add(f"{entry.name} {entry.readlink()}")
        except FileNotFoundError:  # the descriptor of this listing itself
            continue
    return found


@pytest.fixture(autouse=True)
def nothing_leaks() -> Iterator[None]:
    gc.collect()
    threads, descriptors = set(threading.enumerate()), open_descriptors()
    yield
    gc.collect()
    assert set(threading.enumerate()) <= threads
    assert open_descriptors() <= descriptors
