"""AS5600 magnetic angle sensor at its I2C registers.

Figures from the ams AS5600 data sheet v1-06: register map, STATUS bits,
automatic gain (0 to 128 at 3.3 V), hysteresis, slow filter noise.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

ADDRESS = 0x36
COUNTS_PER_TURN = 4096

ZPOS, MPOS, MANG, CONF = 0x01, 0x03, 0x05, 0x07
STATUS = 0x0B
RAW_ANGLE, ANGLE = 0x0C, 0x0E
AGC, MAGNITUDE = 0x1A, 0x1B

STATUS_TOO_STRONG = 0x08
STATUS_TOO_WEAK = 0x10
STATUS_DETECTED = 0x20

AGC_MAXIMUM = 128
NOISE_DEGREES = (0.015, 0.021, 0.030, 0.043)
"""RMS noise by the slow-filter setting SF."""
WRAP_HYSTERESIS_COUNTS = 10
MINIMUM_RANGE_COUNTS = 205  # 18 degrees

_SELF_REPEATING = (ANGLE, RAW_ANGLE, MAGNITUDE)
_WRITABLE = (0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08)


class AS5600:
    """One chip with a magnet before it.

    ``shaft_degrees(at_us)`` is the magnet's angle; it may leave 0..360.
    ``field`` is the magnet's strength relative to the ideal: 0 is no magnet,
    below 0.25 too weak, above 4 too strong.  ``gauss(mean, sigma)`` draws noise;
    None: noiseless.
    """

    def __init__(
        self,
        shaft_degrees: "Callable[[int], float]",
        gauss: "Callable[[float, float], float] | None" = None,
        field: float = 1.0,
    ) -> None:
        self.field = field
        self.raw_counts = 0
        self._shaft_degrees = shaft_degrees
        self._gauss = gauss
        self._pointer = 0
        self._registers = bytearray(0x20)
        self._angle_counts = -1

    # --- what the chip knows -----------------------------------------------------

    @property
    def detected(self) -> bool:
        """Whether there is a magnet at all."""
        return self.field >= 0.05

    @property
    def gain(self) -> int:
        """Automatic gain: mid range at the ideal field, at an end when out of reach."""
        if not self.detected:
            return AGC_MAXIMUM
        # A factor of 4 either way takes it from the middle to an end.
        reach = 0.0
        field = self.field
        while field < 1.0:
            field *= 1.01
            reach += 1.0
        while field > 1.01:
            field /= 1.01
            reach -= 1.0
        gain = int(AGC_MAXIMUM / 2 * (1.0 + reach / 139.32))  # 1.01 ** 139.32 = 4
        return max(0, min(AGC_MAXIMUM, gain))

    @property
    def status(self) -> int:
        """STATUS register."""
        if not self.detected:
            return STATUS_TOO_WEAK
        status = STATUS_DETECTED
        if self.field <= 0.25:
            status |= STATUS_TOO_WEAK
        elif self.field >= 4.0:
            status |= STATUS_TOO_STRONG
        return status

    def power_on(self) -> None:
        """Registers as after power-up (nothing burnt)."""
        self._registers = bytearray(0x20)
        self._pointer = 0
        self._angle_counts = -1

    # --- the bus ---------------------------------------------------------------------

    def write(self, data: bytes) -> None:
        """First byte: register pointer; the others: registers from there on."""
        self._pointer = data[0]
        for value in data[1:]:
            if self._pointer in _WRITABLE:
                self._registers[self._pointer] = value
            self._pointer += 1

    def read_into(self, buffer: "bytearray | memoryview", now_us: int) -> None:
        """Fill ``buffer`` from the register pointer on.

        The pointer moves on by itself, except that it comes back to the high
        byte of ANGLE, RAW ANGLE and MAGNITUDE when it was set there.
        """
        first = self._pointer
        repeating = first in _SELF_REPEATING
        self._refresh(now_us, first, first + len(buffer))
        for index in range(len(buffer)):
            if repeating:
                buffer[index] = self._register(first + (index & 1))
            else:
                buffer[index] = self._register(first + index)
                self._pointer = first + index + 1

    def _register(self, address: int) -> int:
        return self._registers[address] if address < 0x20 else 0

    def _refresh(self, now_us: int, first: int, end: int) -> None:
        """Latch the measurements that lie within the registers about to be read."""
        registers = self._registers
        if first <= STATUS < end:
            registers[STATUS] = self.status
        if first < ANGLE + 2 and end > RAW_ANGLE:
            self._measure(now_us)
            raw = self.raw_counts
            registers[RAW_ANGLE] = raw >> 8
            registers[RAW_ANGLE + 1] = raw & 0xFF
            if end > ANGLE:
                scaled = self._scaled(raw)
                registers[ANGLE] = scaled >> 8
                registers[ANGLE + 1] = scaled & 0xFF
        if end > AGC:
            registers[AGC] = self.gain
            magnitude = min(4095, int(2000 * min(self.field, 2.0)))
            registers[MAGNITUDE] = magnitude >> 8
            registers[MAGNITUDE + 1] = magnitude & 0xFF

    def _measure(self, now_us: int) -> None:
        if not self.detected:
            return  # nothing to follow: the last value stays
        degrees = self._shaft_degrees(now_us)
        if self._gauss is not None:
            sigma = NOISE_DEGREES[self._registers[CONF] & 3]  # SF is bits 9:8 of CONF
            degrees += self._gauss(0.0, sigma)
        self.raw_counts = round(degrees * (COUNTS_PER_TURN / 360.0)) % COUNTS_PER_TURN

    def _word(self, address: int) -> int:
        return (self._registers[address] << 8 | self._registers[address + 1]) & 0xFFF

    def _scaled(self, raw: int) -> int:
        """ANGLE: the programmed range spread over 4096, with its two hystereses."""
        start, stop, span = self._word(ZPOS), self._word(MPOS), self._word(MANG)
        if stop:
            span = (stop - start) % COUNTS_PER_TURN
        angle = (raw - start) % COUNTS_PER_TURN
        if span >= MINIMUM_RANGE_COUNTS:
            # Beyond the range the nearer end holds.
            past = (COUNTS_PER_TURN - span) // 2
            angle = 0 if angle > span + past else min(angle, span)
            return min(COUNTS_PER_TURN - 1, angle * COUNTS_PER_TURN // span)
        return self._with_hysteresis(angle)

    def _with_hysteresis(self, angle: int) -> int:
        last = self._angle_counts
        if last >= 0:
            step = abs(angle - last)
            crossed = COUNTS_PER_TURN - step
            hysteresis = self._registers[CONF + 1] >> 2 & 3  # HYST is bits 3:2 of CONF
            if step <= hysteresis or (step > crossed and crossed <= WRAP_HYSTERESIS_COUNTS):
                return last
        self._angle_counts = angle
        return angle
