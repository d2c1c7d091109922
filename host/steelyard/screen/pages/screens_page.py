"""Pairing displays and operators, and sending them away again."""

from __future__ import annotations

from datetime import datetime

from steelyard.screen.access.roles import Role
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.parts import box, button, empty, notice, section, text
from steelyard.screen.pages.watching import follow


def screens_page(bench: Bench) -> None:
    """Build the page."""
    shown: dict[Role, str] = {}
    with frame(bench, "Screens", "/screens"):
        _reach(bench)
        follow(
            lambda: [{role.value: code for role, code in shown.items()}],
            lambda: _codes(bench, shown),
        )
        follow(
            lambda: [[one.digest for one in bench.sessions.paired], bench.door.viewers_total],
            lambda: _paired(bench),
        )


def _reach(bench: Bench) -> None:
    with section("Who can reach these pages"):
        if bench.doors.lan:
            notice(
                "care",
                "Every computer of this network can ask; only paired ones are answered. What is"
                " sent is not encrypted: use a network of your own.",
            )
        else:
            notice("good", "Only browsers on this computer. Start with --lan for tablets.")


def _codes(bench: Bench, shown: dict[Role, str]) -> None:
    with section("Pair another screen"):
        text(
            "p",
            "On the other screen open this computer's address and type the code. A display shows"
            " the client's picture and can do nothing; an operator sees and does everything.",
        )
        with box("div", "row"):
            for role, words in (
                (Role.DISPLAY, "Code for displays"),
                (Role.OPERATOR, "Code for one operator"),
            ):
                button(words, lambda role=role: shown.update({role: bench.pairing.open(role).text}))
        for role, code in shown.items():
            text("p", f"{role.value}:", "quiet")
            text("p", f"{code[: len(code) // 2]} {code[len(code) // 2 :]}", "code", translate="no")
        if shown:
            text("p", "Good for ten minutes from when it was drawn.", "quiet")


def _paired(bench: Bench) -> None:
    with section("Paired screens", "wide"):
        text("p", f"{bench.door.viewers_total} live pictures are open now.", "quiet")
        paired = bench.sessions.paired
        if not paired:
            empty("No other screen is paired.", "Draw a code above to pair one.")
        with box("ul", "plain-list"):
            for one in paired:
                with box("li"):
                    begun = datetime.fromtimestamp(one.begun_unix_seconds)
                    text("span", f"{one.label} ({one.role.value}), since {begun:%d %b %H:%M}")
                    button(
                        "Un-pair",
                        lambda digest=one.digest: bench.sessions.end(digest),
                        "quiet",
                        aria_label=f"Un-pair {one.label}",
                    )
