"""Each fault of the virtual box gives its own finding, and a sound box gives none.

The machine stands empty (task ``weights`` with nothing hung), as the check asks for.
"""

from __future__ import annotations

import pytest
from host.bringup.operators import VirtualOperator
from steelyard.bringup import (
    Checkup,
    CheckupPlan,
    LoadScale,
    RequestKind,
    Severity,
    run_checkup,
)
from steelyard.device import Box
from steelyard.simulator.faults import KINDS
from steelyard.simulator.port import SimulatedPort, open_simulated_port

REST = CheckupPlan(rest_seconds=6.0)
DURING = "@3"  # the box is up at 0.2 s, the watch at rest lasts from then to about 6 s


def open_port(options: str = "", machine: str = "heron") -> SimulatedPort:
    return open_simulated_port(f"{machine}?speed=max&task=weights{'&' if options else ''}{options}")


def check(options: str = "", plan: CheckupPlan = REST, machine: str = "heron") -> Checkup:
    with Box.open(open_port(options, machine)) as box:
        return run_checkup(box, plan)


def codes(result: Checkup) -> list[tuple[str, int | None]]:
    return [(item.code, item.channel) for item in result.findings]


@pytest.mark.parametrize("machine", ["heron", "wren"])
@pytest.mark.parametrize("seed", range(5))
def test_a_sound_box_gives_no_finding(machine: str, seed: int) -> None:
    result = check(f"seed={seed}", machine=machine)
    assert result.findings == []
    assert not result.has_faults


def test_a_sound_box_with_a_person_gives_no_finding_either() -> None:
    port = open_port()
    operator = VirtualOperator(port)
    with Box.open(port) as box:
        result = run_checkup(box, REST, operator)
    assert result.findings == []
    assert result.skipped == []
    assert [item.kind for item in operator.asked] == [
        RequestKind.REST,
        RequestKind.PUSH,
        RequestKind.PUSH,
        RequestKind.MOVE,
        RequestKind.MOVE,
    ]
    found = {(item.channel, item.name): item.value for item in result.measured}
    newtons_per_count = 1.0 / port.world.cells[0].truth.counts_per_newton()
    assert found[0, "push"] * newtons_per_count == pytest.approx(5.0 * 9.81, rel=0.02)
    assert found[2, "range"] == pytest.approx(60.0, abs=2.0)
    assert found[3, "range"] == pytest.approx(60.0, abs=2.0)


FAULTS = {
    "unplug": (f"unplug{DURING}", "link_lost", None),
    "unplug, back": (f"unplug{DURING}+2", "power_lost", None),
    "cable": (f"cable{DURING}", "link_lost", None),
    "cable, back": (f"cable{DURING}+1", "link_interrupted", None),
    "reboot": (f"reboot{DURING}", "restarted", None),
    "deaf": (f"deaf{DURING}", "gone_silent", None),
    "deaf, back": (f"deaf{DURING}+2", "samples_dropped", None),
    "corrupt": (f"corrupt=0.0001{DURING}", "corrupt_frames", None),
    "data_high": (f"data_high.1{DURING}", "no_conversion", 1),
    "data_high at once": ("data_high@0", "no_conversion", 0),
    "data_low": (f"data_low{DURING}", "desync", 0),
    "clock_cut": (f"clock_cut.1{DURING}", "desync", 1),
    "clock_low": (f"clock_low{DURING}", "clock_line_shorted", 0),
    "clock_high": (f"clock_high.1{DURING}", "clock_line_shorted", 1),
    "chip_reset": ("chip_reset@3.005", "uneven_conversions", 0),
    "missed": (f"missed{DURING}", "late_reads", 0),
    "torn": (f"torn.1{DURING}", "torn_reads", 1),
    "saturate_high": (f"saturate_high{DURING}", "saturated_high", 0),
    "saturate_low": (f"saturate_low.1{DURING}", "saturated_low", 1),
    "magnet_missing": (f"magnet_missing{DURING}", "magnet_missing", 2),
    "magnet_weak": (f"magnet_weak{DURING}", "magnet_weak", 2),
    "magnet_strong": ("magnet_strong@0", "magnet_strong", 2),
    "bus_fail": (f"bus_fail{DURING}", "bus_error", 2),
    "bus_stuck": (f"bus_stuck{DURING}", "bus_held", 2),
    "open_wiper": (f"open_wiper{DURING}", "open_circuit", 3),
    "button": ("button@0", "button_stuck", None),
    "flash_full": ("flash_full@0", "settings_not_stored", None),
}
"""Data line low and clock line cut look alike at the box's pins (the line never goes high after
a read) and share a finding: its cause names both, its advice tells them apart with a meter."""


def test_two_that_look_alike_are_told_apart_with_a_meter() -> None:
    (item,) = check(f"faults=clock_cut{DURING}").findings
    assert "DOUT is shorted to ground" in item.cause
    assert "SCK wire is broken" in item.cause
    assert "no continuity is the break" in " ".join(item.advice.split())
    assert "below 100 ohms is the short" in item.advice


def test_a_pulse_too_many_on_the_clock_line() -> None:
    loaded = "masses=40&dwell=60"
    item, *others = check(f"{loaded}&faults=clock_pulse@3").findings
    assert (item.code, item.channel, item.severity) == ("extra_clock_pulses", 0, Severity.WARNING)
    assert item.measured.startswith("1 of ")
    assert [other.code for other in others] == [code for code, _ in codes(check(loaded))]


def test_a_short_is_named_by_its_side() -> None:
    for name, side in (("clock_low", "ground"), ("clock_high", "the supply")):
        (item,) = check(f"faults={name}{DURING}").findings
        assert f"shorted to {side}" in item.cause


def test_text_for_a_modem_is_garbage_and_no_more() -> None:
    port = open_port()
    with Box.open(port) as box:
        clock = port.box.clock
        for later_us in (3_000_000, 4_000_000):  # as such programs do, more than once
            clock.schedule_at(clock.now_us + later_us, lambda: port.box.link.send(b"AT+CGMI\r\n"))
        result = run_checkup(box, REST)
    assert codes(result) == [("garbage_received", None)]
    assert "9 bytes" in result.findings[0].measured


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_gives_its_own_finding_and_no_other(name: str) -> None:
    fault, code, channel = FAULTS[name]
    result = check(f"faults={fault}")
    assert codes(result) == [(code, channel)]
    item = result.findings[0]
    assert item.measured
    assert item.expected
    assert item.cause
    assert item.advice


def test_no_fault_of_the_simulator_is_left_out() -> None:
    named = {name.split(",")[0].split(" ")[0] for name in FAULTS}
    assert named == set(KINDS) - {"clock_pulse"}  # shows under load only: above


def test_an_amplifier_at_ten_a_second() -> None:
    assert codes(check("rate=10")) == [("rate_pin_low", 0), ("rate_pin_low", 1)]


def test_two_faults_give_two_findings() -> None:
    result = check("faults=magnet_weak@0,data_low.1@3")
    assert codes(result) == [("desync", 1), ("magnet_weak", 2)]
    assert result.has_faults


def test_somebody_in_the_seat_shows_as_noise_and_not_as_a_fault() -> None:
    with Box.open("sim:heron?speed=max&task=rest") as box:
        result = run_checkup(box, REST)
    assert codes(result) == [("noisy", 1)]
    assert result.findings[0].severity is Severity.WARNING
    assert not result.has_faults


def test_noise_and_rate_are_measured_against_the_data_sheet() -> None:
    """HX711 data sheet: 90 nV RMS is 38.65 counts at gain 128 and 5 V; 80 to 94 a second."""
    plan = CheckupPlan(10.0, scales={0: LoadScale(2147.48, "assumed: 2000 N, 2 mV/V")})
    found = {(item.channel, item.name, item.unit): item for item in check(plan=plan).measured}
    counts = found[0, "noise", "counts RMS"]
    assert counts.value == pytest.approx(38.65, rel=0.12)
    assert counts.expected == "39 (data sheet)"
    newtons = found[0, "noise", "N RMS"]
    assert newtons.value == pytest.approx(counts.value / 2147.48)
    for channel in (0, 1):
        assert 80.0 <= found[channel, "rate", "1/s"].value <= 94.0
    assert found[2, "magnet gain", ""].value == 64.0
    assert (1, "noise", "N RMS") not in found


def test_hands_off_says_what_was_left_out() -> None:
    assert any("person" in text for text in check().skipped)


def test_a_step_that_is_refused_is_left_out_and_said_so() -> None:
    port = open_port()
    operator = VirtualOperator(port, refuses=(RequestKind.MOVE,))
    with Box.open(port) as box:
        result = run_checkup(box, REST, operator)
    assert result.findings == []
    assert result.skipped == ["move on channel 2", "move on channel 3"]


@pytest.mark.parametrize(
    ("push_kg", "sweep_degrees", "expected"),
    [
        (-5.0, 60.0, [("polarity_reversed", 0, Severity.WARNING)]),
        (0.05, 60.0, [("no_response", 0, Severity.FAULT)]),
        (5.0, -60.0, [("direction_reversed", 2, Severity.NOTE)]),
        (5.0, 3.0, [("no_movement", 2, Severity.FAULT)]),
    ],
)
def test_pushes_and_sweeps_that_show_a_fault(
    push_kg: float, sweep_degrees: float, expected: list[tuple[str, int, Severity]]
) -> None:
    port = open_port()
    operator = VirtualOperator(port, push_kg=push_kg, sweep_degrees=sweep_degrees)
    with Box.open(port) as box:
        result = run_checkup(box, REST, operator)
    assert [(item.code, item.channel, item.severity) for item in result.findings] == expected


def test_a_link_lost_while_somebody_pushes() -> None:
    port = open_port("faults=unplug@8")
    with Box.open(port) as box:
        result = run_checkup(box, REST, VirtualOperator(port))
    assert codes(result) == [("link_lost", None)]


def test_the_box_is_left_as_it_was() -> None:
    """Settings as before, and no stream running."""
    from steelyard_protocol.records import SettingKey

    with Box.open(open_port()) as box:
        before = box.read_setting(SettingKey.STATUS_PERIOD_MS).number
        run_checkup(box, REST)
        assert box.read_setting(SettingKey.STATUS_PERIOD_MS).number == before
        box.run_self_test()  # refused while streaming


def test_a_rate_that_the_owner_has_set_is_no_fault() -> None:
    from steelyard_protocol.records import SettingKey

    with Box.open(open_port()) as box:
        box.write_setting(SettingKey.ANGLE_RATE_MILLIHERTZ, 2, number=100_000)
        assert codes(run_checkup(box, REST)) == []


def test_progress_is_told() -> None:
    told: list[tuple[str, float]] = []
    with Box.open(open_port()) as box:
        run_checkup(box, REST, progress=lambda step, share: told.append((step, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert 0.9 < shares[-1] <= 1.0
