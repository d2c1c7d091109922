"""Judging this end of the cable."""

from __future__ import annotations

from collections.abc import Iterator

from steelyard.bringup.computer import PortFacts
from steelyard.bringup.finding import Finding, Severity

_INSTALL = (
    "sudo cp hardware/70-steelyard.rules /etc/udev/rules.d/ && sudo udevadm control --reload, then"
    " unplug the box and plug it in again."
)


def check_computer(facts: PortFacts) -> list[Finding]:
    """All that stands between this user and the port."""
    return list(_findings(facts)) if facts.applies else []


def _findings(facts: PortFacts) -> Iterator[Finding]:
    if facts.exists and not facts.accessible:
        group = facts.owner_group or "dialout"
        yield Finding(
            "port_access",
            Severity.FAULT,
            None,
            "computer",
            f"user {facts.user} may not read and write {facts.port} (group {group})",
            "reading and writing",
            "On Linux, serial ports belong to a group that new users are not in.",
            f"sudo usermod -aG {group} $USER, then log out and in; or install the udev rule: "
            + _INSTALL,
        )
    if facts.modem_manager_runs and not facts.rule_installed:
        yield Finding(
            "modem_manager",
            Severity.WARNING,
            None,
            "computer",
            "ModemManager runs and no udev rule keeps it away from the box",
            "a rule, or no ModemManager",
            "It takes new serial ports for modems and writes to them for about 20 s after plugging"
            " in, when the box cannot be opened.",
            _INSTALL,
        )
    elif facts.exists and not facts.rule_installed:
        yield Finding(
            "udev_rule_missing",
            Severity.NOTE,
            None,
            "computer",
            "the udev rule is not installed",
            "installed",
            "Without it, access depends on group membership, and a ModemManager installed later"
            " will disturb the box.",
            _INSTALL,
        )
