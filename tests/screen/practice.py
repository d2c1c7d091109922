"""People on both sides of the screen: who operates the pages, and who sits in the machine.

The operator does only what a person can do: reads what is written and presses what is offered.
The client is the virtual one; its orders are what it decides by what the screen asks of it.
"""

from __future__ import annotations

import contextlib
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Locator, Page, TimeoutError

LOOK_MS = 100
STATES = "ready|running|interrupted|done|skipped|stopped"
PATIENCE_SECONDS = 180.0
AGAIN_SECONDS = 5.0
SWING_MS = 4_000
"""What is read is what hangs by then, and no longer swings."""


def take_new_client(page: Page, address: str) -> str:
    """Add a client on the client's page; returns the code once everything on the page is theirs."""
    page.goto(f"{address}/client")
    page.get_by_role("button", name="New client", exact=True).wait_for(timeout=60_000)
    known = set(re.findall(r"C-\d+", page.locator("#content").inner_text()))
    page.get_by_role("button", name="New client", exact=True).click()
    heading = page.get_by_role("heading", name=re.compile(r"^Visit of C-\d+$"))
    end = time.monotonic() + 60
    while not heading.count() or (code := heading.first.inner_text()[9:]) in known:
        assert time.monotonic() < end, f"no new client came; known were {sorted(known)}"
        page.wait_for_timeout(LOOK_MS)
    for part in ("Entry", "Consent to maximal tests"):  # the first and the last part below it
        page.get_by_role("heading", name=part, exact=True).wait_for(timeout=60_000)
    return code


@dataclass
class Client:
    """Sits in the virtual machine and reads its orders from ``script``."""

    script: Path

    def do(self, *orders: str) -> None:
        with self.script.open("a", encoding="utf-8") as file:
            file.writelines(f"{order}\n" for order in orders)


@dataclass
class Operator:
    """Works on one browser page."""

    page: Page
    address: str
    pressed_again: list[str] = field(default_factory=list)

    # --- looking ---------------------------------------------------------------------------

    def wait(self, until: Callable[[], object], what: str) -> None:
        end = time.monotonic() + PATIENCE_SECONDS
        while not until():
            assert time.monotonic() < end, f"{what} never came; the page says:\n{self.words()}"
            self.page.wait_for_timeout(LOOK_MS)

    def words(self) -> str:
        return "\n".join(self.page.locator("#content, .told").all_inner_texts())

    def fact(self, name: str) -> str:
        """The value beside a name; empty when it is not on the page now."""
        found: str = self.page.evaluate(
            "(name) => [...document.querySelectorAll('#content .facts div')].find("
            "(row) => row.children[0]?.textContent === name)?.children[1]?.textContent ?? ''",
            name,
        )
        return found

    def heading(self) -> str:
        """Of the step that goes on, with its state."""
        found: str = self.page.evaluate(
            "[...document.querySelectorAll('#content h2')].map((h) => h.textContent)"
            f".find((words) => / ({STATES})$/.test(words)) ?? ''"
        )
        return found

    def table(self, caption: str) -> list[list[str]]:
        found: list[list[str]] = self.page.evaluate(
            "(caption) => { const table = [...document.querySelectorAll('table')].find("
            "(one) => one.caption?.textContent === caption); return table ? "
            "[...table.tBodies[0].rows].map((row) => [...row.cells].map((c) => c.textContent))"
            " : []; }",
            caption,
        )
        return found

    # --- pressing --------------------------------------------------------------------------

    def button(self, words: str) -> Locator:
        return self.page.locator("#content").get_by_role("button", name=words, exact=True)

    def try_press(self, words: str) -> None:
        """Press if it is still there: a step may end by itself at the same moment."""
        with contextlib.suppress(TimeoutError):
            self.button(words).first.click(timeout=2_000)

    def press(self, words: str, until: Callable[[], object] = bool) -> None:
        """Press, and press again when nothing comes of it, as a person would.

        ``until``: what comes of it; without it one press has to do.
        """
        self.button(words).first.click(timeout=60_000)
        if until is bool:
            return
        end = time.monotonic() + PATIENCE_SECONDS
        again = time.monotonic() + AGAIN_SECONDS
        while not until():
            self.page.wait_for_timeout(LOOK_MS)
            if time.monotonic() > again and self.button(words).count():
                self.pressed_again.append(words)
                self.button(words).first.click(timeout=60_000)
                again = time.monotonic() + AGAIN_SECONDS
            assert time.monotonic() < end, f"nothing comes of {words}; it says:\n{self.words()}"

    def shows(self, words: str) -> Callable[[], int]:
        return self.page.get_by_text(words).count

    def go(self, path: str) -> None:
        self.page.goto(f"{self.address}{path}")
        self.page.get_by_role("heading", level=1).wait_for(timeout=60_000)
        self.page.wait_for_function("window.steelyardFigures?.link.openings > 0", timeout=60_000)

    def fill(self, label: str, words: str) -> None:
        self.page.get_by_label(label, exact=True).fill(words)

    # --- the visit -------------------------------------------------------------------------

    def sign_on(self, initials: str) -> None:
        self.go("/")
        self.fill("Initials", initials)
        self.press("Sign on", self.shows(f"{initials} is signed on."))

    def take_a_new_client(self, note: str = "") -> str:
        code = take_new_client(self.page, self.address)
        if note:
            self.fill("Note", note)
            self.press("Save the entry")
            self.wait(self.shows(note), "the note in the list")
        self.press("The client agrees", self.shows("consent is in force"))
        return code

    def begin(self) -> None:
        self.press("Begin the visit")
        self.page.wait_for_url("**/visit", timeout=60_000)
        self.wait(self.heading, "the first step")

    def state_of(self, step: str) -> str:
        told = self.heading()
        return told.rpartition(" ")[2] if told.startswith(step) else ""

    def start(self, step: str) -> None:
        self.wait(lambda: self.state_of(step) == "ready", f"{step} ready")
        self.press("Start", lambda: self.state_of(step) not in {"", "ready"})

    def next_step(self) -> None:
        before = self.heading()
        self.press("Next step", lambda: self.heading() != before)


def check_weight(operator: Operator, client: Client, mass_kg: float) -> str:
    """Without load, with the weight, and without again; returns the error that the page tells."""
    operator.go("/weight")
    operator.fill("Weight, kg", f"{mass_kg:g}")
    operator.press("Begin the check")
    for number, hung_kg in enumerate((0.0, mass_kg, 0.0), 1):
        operator.wait(operator.shows(f"Step {number} of 3"), f"step {number} of the check")
        client.do(f"hang {hung_kg:g}")
        operator.page.wait_for_timeout(SWING_MS)
        operator.press("It hangs: read it")
    operator.wait(lambda: operator.fact("error"), "the check's result")
    client.do("relax 1")
    return operator.fact("error")


def check_restraint(operator: Operator, client: Client) -> None:
    """Once through the range; again where the link was lost on the way."""
    operator.start("Restraint")
    client.do("gentle")
    began = time.monotonic()
    held = operator.page.get_by_text("The restraint holds.", exact=True)
    while not (held.count() and operator.fact("arm moved") > "60"):
        if operator.state_of("Restraint") == "running" and time.monotonic() - began > 40:
            began = time.monotonic()
            client.do("gentle")
        operator.page.wait_for_timeout(LOOK_MS)
    operator.press("Finish", lambda: operator.state_of("Restraint") == "done")


def balance(operator: Operator, client: Client) -> None:
    """Sweep, crank as it is advised, and again, until it says that it is balanced."""
    operator.start("Balance")
    balanced = operator.page.get_by_text("Balanced:")
    swept, began = -1, 0.0
    end = time.monotonic() + 2 * PATIENCE_SECONDS
    while operator.state_of("Balance") != "done":
        assert time.monotonic() < end, f"no balance was reached:\n{operator.words()}"
        attempts = operator.table("Attempts")
        if operator.button("The crank is turned").count() and attempts:
            client.do(f"crank {float(attempts[-1][3]):g}")
            operator.page.wait_for_timeout(2500)
            operator.press(
                "The crank is turned", lambda: not operator.button("The crank is turned").count()
            )
        elif balanced.count() and operator.button("Finish").count():
            operator.try_press("Finish")
        elif len(attempts) != swept or time.monotonic() - began > 90:
            swept, began = len(attempts), time.monotonic()
            client.do("sweep")
        operator.page.wait_for_timeout(LOOK_MS)


def measure_strength(
    operator: Operator, client: Client, stations: Sequence[int]
) -> list[list[str]]:
    """One effort at each station; returns the table of stations."""
    accept = "I have read them and shall keep to them"
    operator.press(accept, lambda: not operator.button(accept).count())
    operator.fill("Stations, °", " ".join(map(str, stations)))
    operator.fill("Efforts at each", "1")
    operator.fill("Rest between efforts, s", "0")
    operator.page.wait_for_timeout(300)
    operator.press("Take these stations", lambda: len(operator.table("Stations")) == len(stations))
    operator.start("Isometric")
    led = pushed = ""
    end = time.monotonic() + 2 * PATIENCE_SECONDS
    while operator.state_of("Isometric") in {"running", "interrupted"}:
        assert time.monotonic() < end, f"the test did not end:\n{operator.words()}"
        now, place = operator.fact("now"), operator.fact("station").partition("°")[0]
        if now.startswith("to station") and led != place:
            led, pushed = place, ""
            client.do(f"move {place}")
        if now.startswith("rise") and pushed != place:
            led, pushed = "", place
            client.do("push")
        operator.page.wait_for_timeout(LOOK_MS)
    return operator.table("Stations")


def lift(operator: Operator, client: Client, order: str, count: int = 8) -> list[list[str]]:
    """A set; returns the table of repetitions."""
    operator.start("Set")
    client.do(order)
    operator.wait(lambda: len(operator.table("Repetitions")) >= count, "the last repetition")
    operator.page.wait_for_timeout(1500)
    if operator.state_of("Set") == "running":
        operator.try_press("Finish")  # it may end by itself first
    operator.wait(lambda: operator.state_of("Set") == "done", "the set's end")
    return operator.table("Repetitions")
