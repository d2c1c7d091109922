"""What MicroPython 1.28 offers on the RP2040, and not a name or an argument more.

The simulator's parts are generous where the port is not: this stands between
them and the firmware and refuses what the port would refuse.  Signatures and
limits: MicroPython 1.28 documentation (`machine`, `rp2`), RP2040 data sheet,
sections 1.4.3 (pins of the I2C blocks), 3.2 (PIO memory) and 3.5.5 (clock divider).
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

from steelyard.simulator.parts import rp2
from steelyard.simulator.parts.machine import Machine

SYSTEM_CLOCK_HZ = 125_000_000
_ANALOGUE_PINS = range(26, 30)
_CORE_TEMPERATURE_CHANNEL = 4
_PIO_WORDS = 32


class PortError(TypeError):
    """The real port would have refused this; a wrong argument is a TypeError there, too."""


def _takes(signature: Callable[..., None]) -> inspect.Signature:
    return inspect.signature(signature)


_ANYTHING = _takes(lambda *arguments: None)
_NOTHING = _takes(lambda: None)
PIN_METHODS = {
    "value": _takes(lambda x=None, /: None),
    "irq": _takes(lambda handler=None, trigger=12, hard=False: None),
    "__call__": _takes(lambda x=None, /: None),
}
I2C_METHODS = {
    "readfrom_mem_into": _takes(lambda addr, memaddr, buf, *, addrsize=8: None),
}
STATE_MACHINE_METHODS = {
    "irq": _takes(lambda handler=None, trigger=1, hard=False: None),
    "active": _takes(lambda value=None, /: None),
    "exec": _takes(lambda instr, /: None),
    "restart": _NOTHING,
    "get": _takes(lambda buf=None, shift=0, /: None),
    "rx_fifo": _NOTHING,
}
ASM_PIO_OPTIONS = frozenset({
    "out_init", "set_init", "sideset_init", "side_pindir", "in_shiftdir", "out_shiftdir",
    "autopush", "autopull", "push_thresh", "pull_thresh", "fifo_join",
})  # fmt: skip


class Refusing:
    """Hands the named methods through, after a look at their arguments; nothing else."""

    def __init__(self, real: Any, methods: dict[str, inspect.Signature]) -> None:
        self.real = real
        self._methods = methods

    def __getattr__(self, name: str) -> Callable[..., Any]:
        signature = self._methods.get(name)
        if signature is None:
            raise PortError(f"the port's {type(self.real).__name__} has no {name}")
        method = getattr(self.real, name)

        def call(*arguments: Any, **named: Any) -> Any:
            _check(signature, name, arguments, named)
            return method(*map(_real, arguments), **{key: _real(named[key]) for key in named})

        return call


def _check(
    signature: inspect.Signature, name: str, arguments: tuple[Any, ...], named: dict[str, Any]
) -> dict[str, Any]:
    try:
        bound = signature.bind(*arguments, **named)
    except TypeError as error:
        raise PortError(f"{name}: {error}") from error
    bound.apply_defaults()
    return bound.arguments


def _real(argument: Any) -> Any:
    return argument.real if isinstance(argument, Refusing) else argument


class StrictPin:
    """`machine.Pin`."""

    IN, OUT, PULL_UP, IRQ_FALLING, IRQ_RISING = 0, 1, 1, 4, 8
    _SIGNATURE = _takes(lambda id, mode=-1, pull=-1, *, value=None, drive=0, alt=-1: None)

    def __init__(self, machine: Machine, methods: dict[str, inspect.Signature]) -> None:
        self._machine = machine
        self._methods = methods

    def __call__(self, *arguments: Any, **named: Any) -> Refusing:
        number = _check(self._SIGNATURE, "Pin", arguments, named)["id"]
        if number not in range(30):
            raise PortError(f"no pin GP{number}")
        return Refusing(self._machine.Pin(*arguments, **named), self._methods)


class StrictAdc:
    """`machine.ADC`: a pin from 26 to 29, or the sensor in the chip."""

    CORE_TEMP = _CORE_TEMPERATURE_CHANNEL

    def __init__(self, machine: Machine) -> None:
        self._machine = machine

    def __call__(self, channel: Any) -> Refusing:
        real = _real(channel)
        number = real if isinstance(real, int) else real.number
        if number != self.CORE_TEMP and number not in _ANALOGUE_PINS:
            raise PortError(f"no analogue input on {number}")
        return Refusing(self._machine.ADC(real), {"read_u16": _NOTHING})


class StrictMachine:
    """`machine`."""

    PWRON_RESET, WDT_RESET = 1, 3
    _I2C = _takes(lambda id, freq=400000, *, scl=None, sda=None, timeout=50000: None)

    def __init__(self, machine: Machine, registers: dict[int, int] | None = None) -> None:
        self._machine = machine
        self.Pin = StrictPin(machine, PIN_METHODS)
        self.ADC = StrictAdc(machine)
        self.mem32 = registers if registers is not None else {}
        self.unique_id = machine.unique_id
        self.reset_cause = machine.reset_cause
        self.disable_irq = machine.disable_irq
        self.enable_irq = machine.enable_irq

    def I2C(self, *arguments: Any, **named: Any) -> Refusing:  # noqa: N802 - the port's name
        given = _check(self._I2C, "I2C", arguments, named)
        block = given["id"]
        # GP0 and GP1 are data and clock of block 0, GP2 and GP3 of block 1, and so on.
        for line, offset in (("sda", 0), ("scl", 1)):
            number = given[line].real.number
            if number % 4 != 2 * block + offset:
                raise PortError(f"GP{number} is not {line} of I2C{block}")
        named = {key: _real(value) for key, value in named.items()}
        return Refusing(self._machine.I2C(*arguments, **named), I2C_METHODS)


class SoftMachine(StrictMachine):
    """What an ESP32 lacks of it: hard interrupts, registers at RP2040 addresses, CORE_TEMP."""

    def __init__(self, machine: Machine) -> None:
        StrictMachine.__init__(self, machine)
        soft = {**PIN_METHODS, "irq": _takes(lambda handler=None, trigger=12, wake=None: None)}
        self.Pin = StrictPin(machine, soft)
        del self.mem32
        self.ADC = type("Adc", (StrictAdc,), {"CORE_TEMP": None})(machine)


class StrictRp2:
    """`rp2`: programs of each block share its memory, and a program is loaded once."""

    PIO = rp2.PIO
    _SIGNATURE = _takes(
        lambda id, program, freq=-1, *, in_base=None, out_base=None, set_base=None, jmp_pin=None,
        sideset_base=None, in_shiftdir=None, out_shiftdir=None, push_thresh=None,
        pull_thresh=None: None
    )  # fmt: skip

    def __init__(self) -> None:
        self._loaded: dict[int, list[Any]] = {0: [], 1: []}
        self._taken: set[int] = set()

    def asm_pio(self, **options: int) -> Callable[..., Any]:
        unknown = options.keys() - ASM_PIO_OPTIONS
        if unknown:
            raise PortError(f"asm_pio takes no {unknown}")
        return rp2.asm_pio(**options)

    def StateMachine(self, *arguments: Any, **named: Any) -> Refusing:  # noqa: N802
        given = _check(self._SIGNATURE, "StateMachine", arguments, named)
        number, program, frequency_hz = given["id"], given["program"], given["freq"]
        if number not in range(8) or number in self._taken:
            raise PortError(f"state machine {number} does not exist, or is taken")
        self._taken.add(number)
        if not SYSTEM_CLOCK_HZ / 65536 <= frequency_hz <= SYSTEM_CLOCK_HZ:
            raise PortError(f"no divider makes {frequency_hz} Hz")
        self._load(self._loaded[number // 4], program)
        named = {key: _real(value) for key, value in named.items()}
        return Refusing(rp2.StateMachine(*arguments, **named), STATE_MACHINE_METHODS)

    def _load(self, programs: list[Any], program: Any) -> None:
        if all(program is not other for other in programs):
            programs.append(program)
        words = sum(len(other.words) for other in programs)
        if words > _PIO_WORDS:
            raise PortError(f"{words} instructions; a block holds {_PIO_WORDS}")
