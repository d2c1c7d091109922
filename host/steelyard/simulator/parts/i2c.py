"""I2C bus: what ``machine.I2C`` offers, with parts on it that answer or do not."""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Protocol

    from ..clock import VirtualClock
    from .pins import Pin

    class Target(Protocol):
        """A part on the bus."""

        def write(self, data: bytes) -> None:
            """Take the bytes of one write."""

        def read_into(self, buffer: "bytearray | memoryview", now_us: int) -> None:
            """Fill ``buffer`` from the register pointer on."""


EIO = 5
ETIMEDOUT = 110
DEFAULT_TIMEOUT_US = 50_000


class Wires:
    """The two wires of one bus and the parts on them.

    ``failing``: every transfer ends in no acknowledge.  ``stuck``: a part holds
    the data line low, so every transfer runs into the time limit.
    """

    def __init__(self) -> None:
        self.targets: dict[int, Target] = {}
        self.failing = False
        self.transfers_total = 0
        self._stuck = False
        self._data_pin: Pin | None = None

    @property
    def stuck(self) -> bool:
        """Whether a part holds the data line."""
        return self._stuck

    @stuck.setter
    def stuck(self, value: bool) -> None:
        self._stuck = value
        if self._data_pin is not None:
            self._data_pin.hold(0 if value else None)

    def join(self, *pins: "Pin | None") -> None:
        """Put the processor's pins, clock then data, on the wires, which are pulled up."""
        for pin in pins:
            if pin is not None:
                pin.init(pin.IN, pin.PULL_UP)
                self._data_pin = pin
        self.stuck = self._stuck


class I2C:
    """Stand-in for a ``machine.I2C`` object."""

    def __init__(
        self, clock: "VirtualClock", wires: Wires, freq: int, timeout: int = DEFAULT_TIMEOUT_US
    ) -> None:
        self._clock = clock
        self._wires = wires
        self._byte_ns = 9_000_000_000 // freq
        self._timeout_us = timeout

    def readfrom_mem_into(
        self, addr: int, memaddr: int, buf: "bytearray | memoryview", *, addrsize: int = 8
    ) -> None:
        """Read ``len(buf)`` bytes from register ``memaddr`` on.  Raises OSError."""
        target = self._transfer(addr, 3 + len(buf))
        target.write(bytes((memaddr,)))
        target.read_into(buf, self._clock.now_us)

    def readfrom_mem(self, addr: int, memaddr: int, nbytes: int, *, addrsize: int = 8) -> bytes:
        """Read ``nbytes`` from register ``memaddr`` on.  Raises OSError."""
        buffer = bytearray(nbytes)
        self.readfrom_mem_into(addr, memaddr, buffer)
        return bytes(buffer)

    def writeto_mem(self, addr: int, memaddr: int, buf: bytes, *, addrsize: int = 8) -> None:
        """Write ``buf`` to register ``memaddr`` on.  Raises OSError."""
        self._transfer(addr, 2 + len(buf)).write(bytes((memaddr,)) + bytes(buf))

    def readfrom_into(self, addr: int, buf: "bytearray | memoryview", stop: bool = True) -> None:
        """Read on from where the part's register pointer stands.  Raises OSError."""
        self._transfer(addr, 1 + len(buf)).read_into(buf, self._clock.now_us)

    def writeto(self, addr: int, buf: bytes, stop: bool = True) -> int:
        """Write ``buf``; returns the number of bytes acknowledged.  Raises OSError."""
        self._transfer(addr, 1 + len(buf)).write(bytes(buf))
        return len(buf)

    def scan(self) -> "list[int]":
        """Addresses that answer."""
        if self._wires.failing or self._wires.stuck:
            return []
        return sorted(self._wires.targets)

    def _transfer(self, address: int, byte_count: int) -> "Target":
        wires = self._wires
        wires.transfers_total += 1
        if wires.stuck:
            self._clock.spend(self._timeout_us)
            raise OSError(ETIMEDOUT)
        target = wires.targets.get(address)
        if target is None or wires.failing:
            self._clock.spend(self._byte_ns // 1000)
            raise OSError(EIO)
        self._clock.spend(byte_count * self._byte_ns // 1000)
        return target


class I2CBank:
    """Stand-in for ``machine.I2C``: called with a bus number, it gives that bus."""

    def __init__(self, clock: "VirtualClock") -> None:
        self._clock = clock
        self._wires: dict[int, Wires] = {}

    def __call__(
        self,
        bus: int = 0,
        *,
        scl: "Pin | None" = None,
        sda: "Pin | None" = None,
        freq: int = 400_000,
        timeout: int = DEFAULT_TIMEOUT_US,
    ) -> I2C:
        """Return the bus as ``machine.I2C(bus, scl=, sda=, freq=)`` would."""
        wires = self.wires(bus)
        wires.join(scl, sda)
        return I2C(self._clock, wires, freq, timeout)

    def wires(self, bus: int) -> Wires:
        """Return the wires of a bus, to put parts on them."""
        if bus not in self._wires:
            self._wires[bus] = Wires()
        return self._wires[bus]
