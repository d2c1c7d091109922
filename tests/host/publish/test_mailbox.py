"""The bounded queue: what it promises, whatever is offered and taken when."""

from __future__ import annotations

import asyncio
import json

from hypothesis import given, settings
from hypothesis import strategies as st
from steelyard.publish.allowance import BURST_BYTES, BYTES_PER_SECOND, Allowance
from steelyard.publish.bulletin import Bulletin, Kind
from steelyard.publish.hub import BURST_BYTES as PORTION_BYTES
from steelyard.publish.hub import Hub
from steelyard.publish.mailbox import Mailbox

KINDS = st.sampled_from([Kind.SAMPLES, Kind.SAMPLES, Kind.METADATA, Kind.LINK, Kind.STATUS])
OFFER = st.tuples(KINDS, st.integers(0, 60), st.integers(0, 20))
TAKE = st.one_of(st.none(), st.integers(0, 120))


def bulletin(kind: Kind, size: int, samples: int, number: int) -> Bulletin:
    body = json.dumps({"type": kind.value, "number": number, "pad": "x" * size}).encode()
    return Bulletin(kind, body, samples if kind is Kind.SAMPLES else 0)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.one_of(OFFER, TAKE), max_size=80))
def test_nothing_is_lost_untold_and_nothing_changes_places(
    steps: list[tuple[Kind, int, int] | int | None],
) -> None:
    limit = 400
    mailbox = Mailbox(limit_bytes=limit)
    offered = given_out = told = 0
    latest: dict[Kind, int] = {}
    seen: list[int] = []
    lasting: dict[Kind, int] = {}

    def take(limit_bytes: int | None) -> None:
        nonlocal given_out, told
        taken = mailbox.take(limit_bytes)
        losses = [item for item in taken if item.kind is Kind.LOSS]
        assert len(losses) <= 1
        owed = True
        for item in taken:
            content = json.loads(item.body)
            if item.kind is Kind.LOSS:
                told += content["samples_missed"]
                assert content["samples_missed_total"] == mailbox.samples_missed_total == told
                assert content["messages_missed"] > 0
                continue
            owed = owed and bool(losses) and item.kind in (Kind.METADATA, Kind.LINK)
            if not owed:
                seen.append(content["number"])
            if item.kind in (Kind.METADATA, Kind.LINK):
                lasting[item.kind] = max(lasting.get(item.kind, -1), content["number"])
            given_out += item.samples_total

    for number, step in enumerate(steps):
        if isinstance(step, tuple):
            offered += step[2] if step[0] is Kind.SAMPLES else 0
            latest[step[0]] = number
            mailbox.offer(bulletin(*step, number))
            assert mailbox.held_bytes <= limit
        else:
            take(step)
    take(None)
    assert len(mailbox) == 0
    assert mailbox.held_bytes == 0
    assert given_out + told == offered
    assert seen == sorted(seen)
    for kind in (Kind.METADATA, Kind.LINK):
        assert lasting.get(kind) == latest.get(kind)


def test_a_message_larger_than_the_queue_is_told_as_lost() -> None:
    mailbox = Mailbox(limit_bytes=100)
    mailbox.offer(bulletin(Kind.SAMPLES, 500, 7, 0))
    (loss,) = mailbox.take()
    assert json.loads(loss.body) == {
        "type": "loss",
        "where": "consumer",
        "samples_missed": 7,
        "messages_missed": 1,
        "samples_missed_total": 7,
    }
    assert mailbox.take() == []


def test_a_queue_of_frames_counts_the_samples_in_frames() -> None:
    mailbox = Mailbox(limit_bytes=10, counted=Kind.WIRE)
    mailbox.offer(Bulletin(Kind.WIRE, b"x" * 64, 2))
    assert json.loads(mailbox.take()[0].body)["samples_missed"] == 2


def test_an_allowance_runs_out_and_fills_up_again() -> None:
    allowance = Allowance(100.0)
    assert allowance.spend(BURST_BYTES, 100.0)
    assert not allowance.spend(1, 100.0)
    assert allowance.spend(BYTES_PER_SECOND, 101.01)
    assert not allowance.spend(BURST_BYTES + 1, 10_000.0)


class Taker:
    """A consumer that notes how much it is given before it gets a turn itself."""

    def __init__(self) -> None:
        self.portions = [0]

    def deliver(self, bulletin: Bulletin) -> None:
        self.portions[-1] += len(bulletin.body)

    def close(self) -> None:
        pass


def test_what_gathered_while_the_broker_stood_still_is_passed_on_in_portions() -> None:
    async def run() -> list[int]:
        hub, taker = Hub(asyncio.get_running_loop()), Taker()
        hub.join(taker)
        for _ in range(500):
            hub.post(Bulletin(Kind.SAMPLES, bytes(1000), 1))
        async with asyncio.timeout(60):
            while sum(taker.portions) < 500_000:
                await asyncio.sleep(0)
                taker.portions.append(0)
        return taker.portions

    assert max(asyncio.run(run())) <= PORTION_BYTES + 1000
