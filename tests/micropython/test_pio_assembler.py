"""The stand-in's assembler against encodings worked out by hand.

RP2040 data sheet, section 3.4: three bits of kind, five of delay and side-set,
eight of operands.
"""

# ruff: noqa: F821 - the assembler brings its own names into the decorated functions

from __future__ import annotations

import pytest
from firmware.pio_rig import driver
from steelyard.simulator.parts.rp2 import PIO, asm_pio


def test_each_instruction() -> None:
    @asm_pio()
    def program() -> None:
        label("start")
        nop()
        jmp("start")
        jmp(x_dec, "start")
        jmp(y_dec, "end")
        jmp(pin, "start")
        wait(1, pin, 0)
        wait(0, pin, 3)
        in_(pins, 1)
        in_(y, 32)
        in_(osr, 2)
        push()
        push(noblock)
        mov(x, osr)
        mov(isr, invert(null))
        mov(pc, isr)
        irq(2)
        irq(rel(0))
        set(x, 31)
        label("end")
        set(y, 5)[31]

    assert [f"{word:04x}" for word in program.words] == [
        "a042",  # MOV Y, Y
        "0000",
        "0040",  # condition 2
        "0092",  # condition 4, address 18
        "00c0",  # condition 6
        "20a0",  # polarity 1, source 1
        "2023",
        "4001",
        "4040",  # 32 is written as 0
        "40e2",
        "8020",  # block
        "8000",
        "a027",
        "a0cb",  # operation 1: invert
        "a0a6",
        "c002",
        "c010",  # relative
        "e03f",
        "ff45",  # delay 31
    ]


def test_side_set_takes_the_top_bit_of_the_delay() -> None:
    @asm_pio(sideset_init=PIO.OUT_LOW)
    def program() -> None:
        nop().side(1)[15]
        nop().side(0)[2]

    assert [f"{word:04x}" for word in program.words] == ["bf42", "a242"]


def test_a_delay_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="delay of 16"):

        @asm_pio(sideset_init=PIO.OUT_LOW)
        def program() -> None:
            nop().side(1)[16]


def test_a_missing_side_set_is_refused() -> None:
    with pytest.raises(ValueError, match="side-set"):

        @asm_pio(sideset_init=PIO.OUT_LOW)
        def program() -> None:
            nop()


def test_an_unknown_label_is_refused() -> None:
    with pytest.raises(ValueError, match="nowhere"):

        @asm_pio()
        def program() -> None:
            jmp("nowhere")


def test_both_programs_of_the_firmware_fit_their_blocks() -> None:
    # 32 instructions in a block, shared by its four state machines: section 3.2.
    assert len(driver("hx711_pio").hx711_program.words) <= 32
    assert len(driver("quadrature_pio").quadrature_program.words) <= 32
