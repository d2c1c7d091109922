"""Health of the box and of each sensor, in words before numbers."""

from __future__ import annotations

from typing import Any

from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.parts import empty, facts, notice, section, table, text
from steelyard.screen.pages.watching import follow

Plain = dict[str, Any]


def box_page(bench: Bench) -> None:
    """Build the page."""
    feed = bench.desk.feed
    with frame(bench, "Box and sensors", "/box"):
        follow(lambda: [feed.live, feed.why_not_live], lambda: _verdict(bench))
        follow(lambda: feed.state.metadata, lambda: _identity(feed.state.metadata))
        follow(lambda: _channel_rows(feed.state), lambda: _sensors(bench))
        follow(lambda: feed.state.status, lambda: _counts(feed.state.status))


def _verdict(bench: Bench) -> None:
    feed = bench.desk.feed
    if feed.live:
        notice("good", "The box is live.")
    else:
        notice("bad", f"NOT LIVE: {feed.why_not_live}. It is tried again all the time.")


def _identity(metadata: Plain) -> None:
    with section("The box"):
        if not metadata:
            empty("No box has answered yet.", "Plug it in; nothing else has to be done.")
            return
        known = metadata["box"]
        facts(
            {
                "name": known["name"] or "none given",
                "id": known["box_id"],
                "board": known["board"],
                "firmware": known["firmware_version"],
                "protocol": known["protocol_version"],
            }
        )
        for remark in metadata["remarks"]:
            notice("plain", remark)


def _sensors(bench: Bench) -> None:
    rows = _channel_rows(bench.desk.feed.state)
    with section("Sensors", "wide"):
        if not rows:
            empty("No sensor has been described yet.", "This fills itself when the box answers.")
            return
        table(
            "Every channel of the box",
            ["channel", "kind", "sensor", "rate", "calibration", "state"],
            rows,
        )
        text("p", "Rates are measured by the box's own clock.", "quiet")


def _channel_rows(state: Any) -> list[list[str]]:
    rates = state.status.get("measured_rate_hz", {})
    return [
        [
            str(one["channel"]),
            one["kind"].replace("_", " "),
            " ".join(filter(None, (one["sensor"], one["sensor_serial"]))),
            _rate(rates.get(str(one["channel"]))),
            _calibration(one["calibration"]),
            _condition(state.channels.get(one["channel"])),
        ]
        for one in state.metadata.get("channels", [])
    ]


def _rate(rate_hz: float | None) -> str:
    return "not measured yet" if rate_hz is None else f"{rate_hz:.1f} Hz"


def _calibration(state: Plain) -> str:
    words = {
        "none": "none: raw counts",
        "refused": f"refused: {state.get('reason', '')}",
        "in_force": f"in force, due {state.get('due_on')}",
        "overdue": f"OVERDUE since {state.get('due_on')}",
        "undated": "in force, no due day",
    }
    return words[state["state"]]


def _condition(sample: Plain | None) -> str:
    if sample is None:
        return "nothing yet"
    flags = ", ".join(flag.replace("_", " ") for flag in sample["flags"])
    if not sample["sound"]:
        return f"NO READING: {flags or 'no value'}"
    return f"sound; {flags}" if flags else "sound"


def _counts(status: Plain) -> None:
    with section("Since the start"):
        if not status:
            empty("No status has come yet.", "The box sends one every second.")
            return
        facts(
            {
                "samples": f"{status['samples_total']}",
                "lost on the way": f"{status['samples_missing_total']}",
                "dropped by the box": f"{status['box_dropped_total']}",
                "damaged frames": f"{status['corrupt_frames_total']}",
                "restarts of the box": f"{status['reboots_total']}",
                "times opened": f"{status['openings_total']}",
            }
        )
