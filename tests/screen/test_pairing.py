from __future__ import annotations

import pytest
from steelyard.errors import PairingDelayError, PairingError
from steelyard.screen.access.pairing import (
    ALPHABET,
    CODE_SECONDS,
    FREE_TRIES,
    FREE_TRIES_TOGETHER,
    LONGEST_DELAY_SECONDS,
    TRIES_PER_CODE,
    PairingDesk,
)
from steelyard.screen.access.roles import Role


class Clock:
    def __init__(self) -> None:
        self.seconds = 1000.0

    def __call__(self) -> float:
        return self.seconds


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def desk(clock: Clock) -> PairingDesk:
    return PairingDesk(clock)


def wrong(desk: PairingDesk, address: str = "10.0.0.9") -> type[Exception]:
    with pytest.raises(PairingError) as caught:
        desk.redeem("ZZZZZZ", address)
    return caught.type


def test_a_code_pairs_its_role_however_it_is_typed(desk: PairingDesk) -> None:
    code = desk.open(Role.DISPLAY).text
    assert set(code) <= set(ALPHABET)
    assert desk.redeem(f" {code[:3].lower()}-{code[3:].lower()} ", "10.0.0.2") is Role.DISPLAY
    assert desk.redeem(code, "10.0.0.3") is Role.DISPLAY  # twenty displays, one code


def test_an_operators_code_is_good_once(desk: PairingDesk) -> None:
    code = desk.open(Role.OPERATOR).text
    assert desk.redeem(code, "10.0.0.2") is Role.OPERATOR
    with pytest.raises(PairingError):
        desk.redeem(code, "10.0.0.3")
    assert desk.open(Role.OPERATOR).text != code


def test_a_code_runs_out_and_can_be_withdrawn(desk: PairingDesk, clock: Clock) -> None:
    first, second = desk.open(Role.DISPLAY).text, desk.open(Role.OPERATOR).text
    desk.close(Role.OPERATOR)
    with pytest.raises(PairingError):
        desk.redeem(second, "10.0.0.2")
    clock.seconds += CODE_SECONDS + 1
    with pytest.raises(PairingError):
        desk.redeem(first, "10.0.0.3")


def test_delays_grow_for_an_address_that_guesses(desk: PairingDesk, clock: Clock) -> None:
    code = desk.open(Role.DISPLAY).text
    for _ in range(FREE_TRIES):
        assert wrong(desk) is PairingError
    waits = []
    for _ in range(6):
        with pytest.raises(PairingDelayError) as caught:
            desk.redeem(code, "10.0.0.9")  # even the right code has to wait
        waits.append(caught.value.seconds)
        clock.seconds += caught.value.seconds
        wrong(desk)
    assert waits == sorted(waits)
    assert waits[-1] >= 16 * waits[0]
    assert max(waits) <= LONGEST_DELAY_SECONDS
    assert desk.redeem(code, "10.0.0.2") is Role.DISPLAY  # somebody else is not held up


def test_many_addresses_that_guess_hold_everybody_up(desk: PairingDesk) -> None:
    code = desk.open(Role.DISPLAY).text
    for number in range(FREE_TRIES_TOGETHER):
        wrong(desk, f"10.0.1.{number}")
    with pytest.raises(PairingDelayError):
        desk.redeem(code, "10.0.0.2")


def test_codes_are_drawn_anew_after_too_many_guesses(desk: PairingDesk, clock: Clock) -> None:
    code = desk.open(Role.DISPLAY).text
    for number in range(TRIES_PER_CODE):
        clock.seconds += LONGEST_DELAY_SECONDS / 30
        desk._together.free_at_seconds = 0.0
        wrong(desk, f"10.0.2.{number}")
    assert desk.open(Role.DISPLAY).text != code


def test_the_chance_of_a_guess_is_small() -> None:
    """What the delays let through in the life of a code, against the number of codes."""
    tries, seconds = 0, 0.0
    while seconds < CODE_SECONDS:
        tries += 1
        if tries >= FREE_TRIES_TOGETHER:
            delay = 2.0 ** min(20, tries - FREE_TRIES_TOGETHER)
            seconds += min(LONGEST_DELAY_SECONDS, delay)
    assert min(tries, TRIES_PER_CODE) / len(ALPHABET) ** 6 < 1e-7


@pytest.mark.parametrize("text", ["", " ", "é" * 6, "\ud800", "0" * 4000, "\0\0\0\0\0\0"])
def test_nonsense_is_refused_like_any_wrong_code(desk: PairingDesk, text: str) -> None:
    desk.open(Role.DISPLAY)
    with pytest.raises(PairingError):
        desk.redeem(text, "10.0.0.2")
