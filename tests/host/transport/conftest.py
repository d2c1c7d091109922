"""Nothing may leak from a test."""

from __future__ import annotations

from host.transport.leaks import nothing_leaks

__all__ = ["nothing_leaks"]
