"""Which changes of the layout a minor version may make, and a check that nothing else did.

A minor version may add messages, enumeration values and flag bits.  It may not
touch what an earlier version of the same major has released: recordings made
then must read for ever, and a box in a cupboard must still talk to a new host.
"""

from __future__ import annotations

from typing import Any

Snapshot = dict[str, Any]


def _changed_messages(old: Snapshot, new: Snapshot) -> list[str]:
    problems = []
    for name, layout in old["messages"].items():
        now = new["messages"].get(name)
        if now is None:
            problems.append(f"message {name} is gone")
        elif now != layout:
            parts = [key for key in layout if now.get(key) != layout[key]]
            problems.append(f"message {name} has changed: {', '.join(parts) or 'keys added'}")
    return problems


def _reused_ids(old: Snapshot, new: Snapshot) -> list[str]:
    taken = {layout["id"]: name for name, layout in old["messages"].items()}
    return [
        f"message {name} takes id 0x{layout['id']:02X}, which belongs to {taken[layout['id']]}"
        for name, layout in new["messages"].items()
        if taken.get(layout["id"], name) != name
    ]


def _changed_values(old: Snapshot, new: Snapshot) -> list[str]:
    problems = []
    for name, values in old["values"].items():
        now = new["values"].get(name)
        if now is None or now["flags"] != values["flags"]:
            problems.append(f"enumeration {name} is gone or has changed its sort")
            continue
        for label, number in values["names"].items():
            if now["names"].get(label) != number:
                problems.append(f"{name}.{label} was {number}, is {now['names'].get(label)}")
        taken = {number: label for label, number in values["names"].items()}
        problems += [
            f"{name}.{label} takes {number}, which belongs to {taken[number]}"
            for label, number in now["names"].items()
            if taken.get(number, label) != label
        ]
    return problems


def incompatibilities(old: Snapshot, new: Snapshot) -> list[str]:
    """What in ``new`` a released ``old`` of the same major forbids; empty: compatible.

    A new major version may change everything.  Whatever changes, the version must.
    """
    old_version, new_version = old["protocol"], new["protocol"]
    if new_version[0] != old_version[0]:
        return [] if new_version > old_version else ["the major version went down"]
    problems = _changed_messages(old, new) + _reused_ids(old, new) + _changed_values(old, new)
    if not problems and new != old and new_version[1] <= old_version[1]:
        problems.append(f"something was added, so the minor version must be above {old_version[1]}")
    return problems
