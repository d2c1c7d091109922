"""What the records say about a visit that the signals do not show, for the analysis."""

from __future__ import annotations

from steelyard.errors import EntryError
from steelyard.store.kept import Limits
from steelyard.store.records import Records
from steelyard.strength.session_analysis import SessionFacts


def facts_for_visit(records: Records, visit_id: int, recorded_client: str = "") -> SessionFacts:
    """Facts from the client's limits, set-up and record, as they stand now.

    ``recorded_client``: the code that the recording bears, empty where it bears none.  Raises
    NotKeptError without such a visit, EntryError when the recording is of another client.
    """
    visit = records.visits.get(visit_id)
    if recorded_client and recorded_client.strip().upper() != visit.client:
        raise EntryError(
            f"The recording is of client {recorded_client}, visit {visit_id} is of {visit.client}.",
            "File it under that client's visit.",
        )
    client = records.clients.get(visit.client)
    kept = records.limits.current(visit.client, visit.machine)
    limits = kept.limits if kept else Limits()
    set_up = records.set_ups.current(visit.client, visit.machine)
    values = set_up.values if set_up else {}
    turns, plates = values.get("counterweight_turns"), values.get("plates_kg")
    return SessionFacts(
        crank_turns=None if turns is None else float(turns),
        stack_kg=None if not plates else float(plates),
        body_mass_kg=client.body_mass_kg,
        stature_metres=client.stature_metres,
        client_range=limits.client_range,
        prescription=limits.prescription,
        stop_rules=limits.stop_rules,
        effort_limits=limits.effort_limits,
    )
