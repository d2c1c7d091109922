"""What a box's "no" means, and what to do about it."""

from __future__ import annotations

from typing import Final

from steelyard_protocol.records import Outcome, Record, Reply

from steelyard.errors import DeviceRejectedError

_REASONS: Final[dict[int, tuple[str, str]]] = {
    Outcome.UNKNOWN_REQUEST: (
        "it does not know this request",
        "Its firmware is older than this program; load the newer one onto it.",
    ),
    Outcome.BAD_ARGUMENT: (
        "an argument is out of range or names nothing there",
        "Check the channel, the setting and the value.",
    ),
    Outcome.REFUSED_WHILE_STREAMING: (
        "it is streaming",
        "Stop the stream first.",
    ),
    Outcome.STORAGE_FAILED: (
        "it could not store the value",
        "Try again; if it fails again, the box's flash memory may be worn out.",
    ),
    Outcome.NOT_AVAILABLE: (
        "this is not available there",
        "",
    ),
}


def refusal(where: str, request: Record, reply: Reply) -> DeviceRejectedError:
    """The error for a request that was answered with a refusal."""
    reason, advice = _REASONS.get(
        reply.outcome, (f"outcome {reply.outcome}, which this program does not know", "")
    )
    detail = f" (it names {reply.detail})" if reply.detail else ""
    return DeviceRejectedError(
        f"The box on {where} refused {type(request).__name__}: {reason}{detail}.",
        advice,
        outcome=reply.outcome,
        detail=reply.detail,
    )
