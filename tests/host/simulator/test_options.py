"""The text after `sim:` is understood, or refused in words that help."""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import SimulatorOptionError
from steelyard.simulator.faults import KINDS, Fault, make_fault, parse_faults
from steelyard.simulator.machine_model import HERON, WREN
from steelyard.simulator.options import BoxOptions, parse_options


def test_nothing_said_is_a_steady_heron_in_real_time() -> None:
    assert parse_options("") == parse_options("heron") == BoxOptions()
    assert BoxOptions().world.machine is HERON
    assert BoxOptions().speed == 1.0


def test_everything_said() -> None:
    options = parse_options(
        "wren?client=rushed&task=weights&seed=7&speed=max&masses=0,2.5,5&dwell=8"
        "&gravity=9.8126&rate=10&drift=-35.5&ticks=1073000000&faults=unplug@30+5,torn.1@60"
    )
    assert options.world.machine is WREN
    assert options.world.manner.name == "rushed"
    assert (options.world.task, options.world.seed) == ("weights", 7)
    assert options.world.masses_kg == (0.0, 2.5, 5.0)
    assert (options.world.dwell_seconds, options.world.gravity_m_s2) == (8.0, 9.8126)
    assert math.isinf(options.speed)
    assert options.virtual_time
    assert (options.rate_sps, options.clock_ppm) == (10, -35.5)
    assert options.ticks_offset_us == 1_073_000_000
    assert options.faults == (Fault("unplug", 30.0, 5.0), Fault("torn", 60.0, None, 1))


def test_stops_may_be_set_elsewhere_before_or_after_the_angles() -> None:
    for text in ("heron?travel=-130:100&angles=-120,90", "heron?angles=-120,90&travel=-130:100"):
        assert parse_options(text).world.machine.travel_degrees == (-130.0, 100.0)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("eagle", "heron, wren"),
        ("heron?client=lazy", "steady"),
        ("heron?task=dance", "session"),
        ("heron?colour=red", "client, task"),
        ("heron?seed", "name=value"),
        ("heron?seed=-1", "seed=-1"),
        ("heron?speed=fast", "speed=fast"),
        ("heron?speed=nan", "speed=nan"),
        ("heron?rate=20", "10, 80"),
        ("heron?masses=1,x", "masses=x"),
        ("heron?angles=0,65", "-14 to 64"),
        ("heron?task=roller&angles=301", "0 to 300"),
        ("heron?travel=90", "travel=-90:90"),
        ("heron?travel=9:x", "travel=x"),
        ("heron?travel=9:9", "lower comes first"),
        ("heron?gravity=1.6", "9.7 to 9.9"),
        ("heron?faults=explode@3", "unplug"),
        ("heron?faults=unplug", "unplug@30+5"),
        ("heron?faults=torn@3+4", "happens once"),
        ("heron?faults=torn.2@3", "channel 2"),
        ("heron?faults=unplug@1.2.3", "not a number"),
    ],
)
def test_refusals_say_what_is_wrong_and_what_there_is(text: str, named: str) -> None:
    with pytest.raises(SimulatorOptionError) as caught:
        parse_options(text)
    assert named in str(caught.value)
    assert caught.value.advice


@given(st.text(alphabet="heronw?&=@+.,0123456789abcdefaultsxm_-", max_size=60))
def test_any_text_is_understood_or_refused(text: str) -> None:
    with contextlib.suppress(SimulatorOptionError):
        assert isinstance(parse_options(text), BoxOptions)


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_fault_can_be_written_down(name: str) -> None:
    text = f"{name}@2+3" if KINDS[name].lasting else f"{name}@2"
    (fault,) = parse_faults(text)
    assert (fault.name, fault.start_seconds) == (name, 2.0)
    assert fault.value == KINDS[name].default
    assert fault == make_fault(name, 2.0, 3.0 if KINDS[name].lasting else None)
