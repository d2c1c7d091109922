"""Speed and memory, as ratios against a peer measured in the same run.

``python tools/bench.py`` runs everything; a name or two runs those:
bulk, stream, latency, memory, recording, help, firmware, broker, store, analysis,
screen.  Run tools/test.py once before: it installs the peers.

Method: one warm process, buffers reused, ours and the peer's runs in turn,
medians; of a long recording the median of the rounds' ratios, and the lowest
and the highest told.  pymavlink (SCALED_IMU, its own fast CRC) is the peer for decoding: a
binary protocol of like frame size, its parser widely used from Python.
"""

from __future__ import annotations

import contextlib
import ctypes
import io
import os
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

os.environ["MAVLINK20"] = "1"

ROOT = Path(__file__).resolve().parent.parent
ROUNDS = 7
RECORDING_ROUNDS = 11
PEER_FRAMES = 20_000
OUR_FRAMES = 400_000


def paired(ours: Callable[[], object], peer: Callable[[], object]) -> tuple[float, float]:
    """Median seconds of each, measured in turn after one warm-up."""
    both = paired_costs(ours, peer)
    return both.mine.seconds, both.theirs.seconds


class Cost(NamedTuple):
    """What one side took; of a `Comparison` the medians."""

    seconds: float
    processor_seconds: float
    """Of all threads; what other programs of the computer do changes it little."""


class Comparison(NamedTuple):
    """Two sides run in turn, again and again."""

    mine: Cost
    theirs: Cost
    ratios: list[float]
    """Their seconds to ours in each round, rising.  Why by round: what other programs do
    changes within seconds, and the two runs of one round meet with nearly the same."""

    @property
    def ratio(self) -> float:
        """The median of all rounds."""
        return statistics.median(self.ratios)

    def told(self, ours_per_theirs: float) -> str:
        """Lowest and highest ratio, and the ratio by processor time; we do so many times as
        much work."""
        by_processor = self.theirs.processor_seconds / self.mine.processor_seconds
        return (
            f"; {len(self.ratios)} rounds {self.ratios[0] * ours_per_theirs:.3g}x to "
            f"{self.ratios[-1] * ours_per_theirs:.3g}x; by processor time "
            f"{by_processor * ours_per_theirs:.3g}x"
        )


def paired_costs(
    ours: Callable[[], object], peer: Callable[[], object], rounds: int = ROUNDS
) -> Comparison:
    """What each costs, measured in turn after one warm-up."""
    ours(), peer()
    times: tuple[list[Cost], list[Cost]] = ([], [])
    for _ in range(rounds):
        for run, kept in ((ours, times[0]), (peer, times[1])):
            begun, processor = time.perf_counter(), time.process_time()
            run()
            kept.append(Cost(time.perf_counter() - begun, time.process_time() - processor))
    mine, theirs = (Cost(*map(statistics.median, zip(*side, strict=True))) for side in times)
    ratios = [peer.seconds / own.seconds for own, peer in zip(*times, strict=True)]
    return Comparison(mine, theirs, sorted(ratios))


def report(name: str, ratio: float, wanted: float, detail: str) -> bool:
    """Print one result; a figure below what is wanted is said to be so."""
    met = ratio >= wanted
    print(f"{name}: {ratio:.3g}x (wanted {wanted:.3g}x) {'ok' if met else 'MISSED'}   {detail}")
    return met


def damage(frames: list[bytes], source: random.Random) -> bytes:
    """One frame in a hundred spoilt by a flipped bit and followed by 0 to 39 bytes of garbage."""
    out = []
    for frame in frames:
        if source.random() < 0.01:
            spoilt = bytearray(frame)
            spoilt[source.randrange(len(spoilt))] ^= 1 << source.randrange(8)
            out.append(bytes(spoilt) + source.randbytes(source.randrange(40)))
        else:
            out.append(frame)
    return b"".join(out)


def our_frames(count: int) -> list[bytes]:
    """Two load channels and an angle, a status frame now and then, as a box sends them."""
    from steelyard_protocol.codec import encode
    from steelyard_protocol.records import AngleSample, LoadSample, Status

    source = random.Random(1)
    frames, sequence, ticks = [], [0, 0, 0], 0
    for number in range(count):
        ticks = (ticks + 2577) % (1 << 30)
        channel = source.choice((0, 1, 2, 2))
        if channel == 2:
            angle = 2048 + number % 300
            frames.append(
                encode(AngleSample(2, 0, 123456789, sequence[2], ticks, angle, 32, 60, 0))
            )
        else:
            counts = int(source.gauss(100_000, 30_000))
            age = source.randrange(5000)
            sample = LoadSample(channel, 0, 123456789, sequence[channel], ticks, counts, 2048, age)
            frames.append(encode(sample))
        sequence[channel] += 1
        if number % 190 == 0:
            totals = (number, 2, 3, 4, 5, 6, 7, 8)
            frames.append(
                encode(
                    Status(123456789, ticks, 7, 1, 1, 9, totals, (0,) * 8, *([0] * 10), 2500, 9000)
                )
            )
    return frames


def peer_frames(count: int) -> list[bytes]:
    """SCALED_IMU messages of the peer."""
    from pymavlink.dialects.v20 import common

    link = common.MAVLink(io.BytesIO(), 1, 1)
    return [
        bytes(
            common.MAVLink_scaled_imu_message(1000 + n, n % 100, 2, 3, 4, 5, 6, 7, 8, 9, 0).pack(
                link
            )
        )
        for n in range(count)
    ]


def peer_decoder(data: bytes) -> Callable[[], int]:
    """Parse a whole stream with the peer; gives the number of messages."""
    from pymavlink.dialects.v20 import common

    def run() -> int:
        link = common.MAVLink(None)
        link.robust_parsing = True
        return len(link.parse_buffer(data) or [])

    return run


def bench_bulk() -> bool:
    """Every frame of a recording to columns, every CRC checked."""
    from steelyard_protocol.bulk import BulkDecoder
    from steelyard_protocol.layout import layouts_by_id
    from steelyard_protocol.messages import LOAD_SAMPLE

    def ours(data: bytes) -> Callable[[], int]:
        def run() -> int:
            decoder, found = BulkDecoder(), 0
            view = memoryview(data)
            for start in range(0, len(data), 1 << 22):
                found += decoder.feed(view[start : start + (1 << 22)]).frame_count
            return found

        return run

    frames, peers = our_frames(OUR_FRAMES), peer_frames(PEER_FRAMES)
    source = random.Random(2)
    good = True
    cases = (
        ("bulk decode, clean", b"".join(frames), b"".join(peers), 100.0),
        ("bulk decode, 1 % damaged", damage(frames, source), damage(peers, source), 60.0),
    )
    for name, data, peer_data, wanted in cases:
        mine, theirs = paired(ours(data), peer_decoder(peer_data))
        each, peer_each = mine / len(frames), theirs / len(peers)
        detail = f"{each * 1e9:.0f} ns against {peer_each * 1e9:.0f} ns a frame"
        good &= report(name, peer_each / each, wanted, detail)
    size = layouts_by_id()[LOAD_SAMPLE.message_id].size
    body = frames[1].rstrip(b"\x00")[2 : size + 1]
    mine, theirs = paired(
        ours(b"".join(frames)), lambda: [LOAD_SAMPLE.body.parse(body) for _ in range(2000)]
    )
    each, peer_each = mine / len(frames), theirs / 2000
    detail = f"construct: {peer_each * 1e6:.1f} µs a message, without framing or CRC"
    good &= report("bulk decode against construct", peer_each / each, 100.0, detail)
    return good


def bench_stream() -> bool:
    """One event at a time, fed in pieces of 256 bytes as a port gives them."""
    from steelyard_protocol.decoder import StreamDecoder

    frames, peers = our_frames(PEER_FRAMES), peer_frames(PEER_FRAMES)

    def pieces(data: bytes) -> list[bytes]:
        return [data[start : start + 256] for start in range(0, len(data), 256)]

    ours_in, peers_in = pieces(b"".join(frames)), pieces(b"".join(peers))

    def ours() -> int:
        decoder = StreamDecoder()
        return sum(len(decoder.feed(piece)) for piece in ours_in)

    def peer() -> int:
        from pymavlink.dialects.v20 import common

        link = common.MAVLink(None)
        link.robust_parsing = True
        return sum(len(link.parse_buffer(piece) or []) for piece in peers_in)

    mine, theirs = paired(ours, peer)
    each, peer_each = mine / len(frames), theirs / len(peers)
    detail = f"{each * 1e6:.2f} µs against {peer_each * 1e6:.2f} µs a frame"
    return report("streaming decode", peer_each / each, 1.0, detail)


WRITER = """
import os, sys, time
sys.path[:0] = {paths!r}
from steelyard_protocol.codec import encode
from steelyard_protocol.records import LoadSample
handle, begun = int(sys.argv[1]), time.monotonic()
for number in range({frames}):
    while time.monotonic() < begun + number / 300:
        time.sleep(0.0005)
    ticks = time.monotonic_ns() // 1000 % (1 << 30)
    os.write(handle, encode(LoadSample(0, 0, 7, number, ticks, 1000, 2048, 0)))
"""


def bench_latency() -> bool:
    """From a byte written to a record in hand: another process, a pty, 300 frames a second."""
    if sys.platform == "win32":
        print("latency over a pty: not on Windows")
        return True
    import pty
    import tty

    from steelyard.transport.read_ahead import open_read_ahead
    from steelyard_protocol.decoder import Message, StreamDecoder
    from steelyard_protocol.records import LoadSample

    frames = 3000
    master, slave = pty.openpty()
    tty.setraw(slave)
    paths = [str(ROOT / "host"), str(ROOT / "protocol")]
    delays: list[float] = []
    decoder = StreamDecoder()
    with open_read_ahead(os.ttyname(slave)) as port:
        os.close(slave)
        code = WRITER.format(paths=paths, frames=frames)
        with subprocess.Popen([sys.executable, "-c", code, str(master)], pass_fds=[master]) as w:
            while len(delays) < frames and (w.poll() is None or len(delays) < frames):
                for event in decoder.feed(port.read(0.5)):
                    now_us = time.monotonic_ns() // 1000 % (1 << 30)
                    if isinstance(event, Message) and isinstance(event.record, LoadSample):
                        delays.append((now_us - event.record.device_ticks_us) % (1 << 30) / 1000)
    os.close(master)
    delays.sort()
    p99 = delays[int(0.99 * len(delays))]
    met = p99 < 5.0
    print(
        f"latency over a pty at 300 frames/s: median {statistics.median(delays):.2f} ms, "
        f"p99 {p99:.2f} ms, worst {delays[-1]:.2f} ms of {len(delays)} "
        f"(wanted p99 < 5 ms) {'ok' if met else 'MISSED'}"
    )
    return met


MEASURE = """
import sys, time
sys.path[:0] = {paths!r}
from pathlib import Path
from steelyard.recording.validator import validate

def peak_mb():
    # Not getrusage: a child begins with the peak of the process that started it.
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1e3

before = peak_mb()
begun = time.perf_counter()
report = validate(Path(sys.argv[1]))
seconds = time.perf_counter() - begun
print(report.frames_good_total, report.frames_bad_total, seconds, before, peak_mb())
"""


def ten_hours(path: Path) -> int:
    """A recording of ten hours at about 84 samples a second, written by the product's writer."""
    from steelyard.recording.writer import RecordingWriter
    from steelyard.transport.port import WallClock
    from steelyard_protocol.codec import encode, padded_text
    from steelyard_protocol.layout import layout_hash
    from steelyard_protocol.records import ChannelDescription, Identity, LoadSample

    text = padded_text("bench", 16)
    identity = Identity(
        0, 1, 0, (0, 1, 0), layout_hash(), bytes(8), 77, 1 << 30, 1, 256, text, text
    )
    channel = ChannelDescription(0, 77, 0, 1, 1, 128, 80_000, -0x800000, 0x7FFFFF, 0, 255, text)
    source = random.Random(3)
    count, block = 3_000_000, 10_000
    with RecordingWriter(path, WallClock()) as writer:
        writer.describe_box(identity, [channel])
        for first in range(0, count, block):
            frames = [
                encode(
                    LoadSample(
                        0, 0, 77, n, n * 12_000 % (1 << 30), source.randrange(1 << 20), 2048, 900
                    )
                )
                for n in range(first, first + block)
            ]
            writer.append_device_bytes(b"".join(frames))
    return count


def bench_memory() -> bool:
    """Validate ten hours in a fresh process."""
    if not Path("/proc/self/status").exists():
        print("memory of validating ten hours: measured on Linux only")
        return True
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ten-hours.steelyard"
        count = ten_hours(path)
        paths = [str(ROOT / "host"), str(ROOT / "protocol")]
        output = subprocess.run(
            [sys.executable, "-c", MEASURE.format(paths=paths), str(path)],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()
        size = path.stat().st_size
    good, bad, seconds = int(output[0]), int(output[1]), float(output[2])
    before, peak = float(output[3]), float(output[4])
    met = peak < 300.0 and bad == 0 and good >= count
    print(
        f"validating ten hours ({count} samples, {size / 1e6:.0f} MB): {seconds:.2f} s, "
        f"{seconds / count * 1e9:.0f} ns a sample; peak memory {peak:.0f} MB, {before:.0f} MB of "
        f"it imports (wanted < 300 MB) {'ok' if met else 'MISSED'}"
    )
    return met


def bench_help() -> bool:
    """``steelyard --help`` as a whole process, against importing click alone."""
    script = Path(sys.executable).with_name("steelyard")
    if not script.exists():
        print("steelyard --help: the project is not installed in this environment")
        return False

    def process(*words: str) -> Callable[[], object]:
        return lambda: subprocess.run(words, capture_output=True, check=True)

    mine, theirs = paired(
        process(str(script), "--help"), process(sys.executable, "-c", "import click")
    )
    met = mine <= 1.5 * theirs
    print(
        f"steelyard --help: {mine * 1000:.0f} ms against {theirs * 1000:.0f} ms for importing "
        f"click: {mine / theirs:.2f}x (wanted <= 1.5x) {'ok' if met else 'MISSED'}"
    )
    return met


def others_of(load: dict[str, float]) -> str:
    """What the boxes and the consumers of a load, each a process of its own, took."""
    return (
        f"boxes {load['boxes_cpu_seconds']:.1f} s of a core and at most "
        f"{load['boxes_late_ms']:.0f} ms late, consumers {load['consumers_cpu_seconds']:.1f} s"
    )


def bench_broker() -> bool:
    """Live distribution: 50 consumers, one slow, one dead; then 200 boxes on one machine."""
    sys.path.append(str(ROOT / "tests"))
    from host.publish.broker_loads import fifty_consumers, two_hundred_boxes

    few = fifty_consumers()
    met = few["p99_ms"] < 20.0 and few["missing_total"] == 0 and few["slow_told"] > 0
    met &= few["memory_grown_mb"] < 5.0 and few["recording_lost_total"] == 0
    print(
        f"50 consumers at 300 frames/s beside a slow and a dead one: median "
        f"{few['median_ms']:.1f} ms, p99 {few['p99_ms']:.1f} ms (wanted < 20 ms; a "
        f"process that only sleeps: {few['sleeper_p99_ms']:.1f} ms late), "
        f"{few['samples_total']} samples, {few['missing_total']} missing; the slow one was told "
        f"of {few['slow_told']}; broker {few['cores']:.2f} cores, {few['memory_mb']:.0f} MB, "
        f"grown {few['memory_grown_mb']:.1f} MB in 18 s; recorded meanwhile "
        f"{few['recorded_total']} samples, {few['recording_lost_total']} lost; "
        f"{others_of(few)} {'ok' if met else 'MISSED'}"
    )
    many = two_hundred_boxes()
    lossless = many["missing_total"] == 0 and many["overflows_total"] == 0
    lossless &= many["rate_hz"] > 57_000 and many["memory_grown_mb"] < 10.0
    print(
        f"200 boxes in two processes: {many['rate_hz']:.0f} frames/s (wanted 60,000), "
        f"{many['missing_total']} missing; {many['cores']:.2f} cores, {many['memory_mb']:.0f} MB, "
        f"grown {many['memory_grown_mb']:.1f} MB, p99 {many['p99_ms']:.0f} ms; "
        f"{others_of(many)} {'ok' if lossless else 'MISSED'}"
    )
    return met and lossless


def ten_hours_of_a_box(path: Path) -> int:
    """As `ten_hours`, with the heartbeats and time marks of a real recording, one a second."""
    from steelyard.recording.writer import RecordingWriter
    from steelyard.transport.port import WallClock
    from steelyard_protocol.codec import encode, padded_text
    from steelyard_protocol.layout import layout_hash
    from steelyard_protocol.records import (
        ChannelDescription,
        Identity,
        LoadSample,
        Status,
        TimeMark,
    )

    text, period = padded_text("bench", 16), 1 << 30
    identity = Identity(0, 1, 0, (0, 1, 0), layout_hash(), bytes(8), 77, period, 1, 256, text, text)
    channel = ChannelDescription(0, 77, 0, 1, 1, 128, 84_000, -0x800000, 0x7FFFFF, 0, 255, text)
    source = random.Random(3)
    seconds, rate = 36_000, 84
    start_ns = time.time_ns()
    with RecordingWriter(path, WallClock()) as writer:
        writer.describe_box(identity, [channel])
        writer.link_opened()
        for second in range(seconds):
            ticks = [second * 1_000_000 + n * 1_000_000 // rate for n in range(rate)]
            frames = [
                encode(
                    LoadSample(
                        0, 0, 77, second * rate + n, us % period, source.randrange(1 << 20), 2048, 9
                    )
                )
                for n, us in enumerate(ticks)
            ]
            now_us = (second + 1) * 1_000_000
            frames.append(
                encode(
                    Status(
                        77, now_us % period, now_us // 1000, 1, 1, 9, (0,) * 8, (0,) * 8,
                        *([0] * 10), 2500, 9000,
                    )
                )
            )  # fmt: skip
            writer.append_device_bytes(b"".join(frames))
            host_ns = now_us * 1000 + source.randrange(300_000)
            writer.mark_time(TimeMark(77, now_us % period, host_ns, start_ns + host_ns, 400))
    return seconds * rate


def keep_freed_memory() -> None:
    """Buffers reused on our side as on the peer's: pyarrow keeps what was freed in its own pool,
    glibc gives it back, and then each run would pay for new pages."""
    with contextlib.suppress(OSError, AttributeError):
        library = ctypes.CDLL("libc.so.6")
        library.mallopt(-3, 32 << 20)  # M_MMAP_THRESHOLD, as high as it goes
        library.mallopt(-1, 1 << 30)  # M_TRIM_THRESHOLD


def bench_recording() -> bool:
    """Ten hours: validated and loaded whole, against three peers, and drawn."""
    from pyarrow import parquet
    from steelyard.recording.export import ExportFormat, export_recording
    from steelyard.recording.overview import make_overview
    from steelyard.recording.overview_plot import draw_overview
    from steelyard.recording.reader import read_recording
    from steelyard.recording.validator import validate
    from steelyard_protocol.layout import layouts_by_id
    from steelyard_protocol.messages import LOAD_SAMPLE

    keep_freed_memory()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ten-hours.steelyard"
        count = ten_hours_of_a_box(path)
        export_recording(path, Path(folder) / "ten", ExportFormat.PARQUET)
        table = Path(folder) / "ten-load.parquet"

        def load() -> int:
            return len(read_recording(path).loads[0])

        def load_with_device_times() -> int:
            return len(read_recording(path).loads[0].device_us)

        def load_with_host_times() -> int:
            return len(read_recording(path).loads[0].host_unix_ns)

        good = load() == count == parquet.read_table(table).num_rows
        peers = peer_frames(PEER_FRAMES)
        found = paired_costs(load, peer_decoder(b"".join(peers)), RECORDING_ROUNDS)
        work = count / len(peers)
        each, peer_each = found.mine.seconds / count, found.theirs.seconds / len(peers)
        detail = f"{found.mine.seconds:.2f} s, {each * 1e9:.0f} ns against {peer_each * 1e9:.0f} ns"
        name = "ten hours, all columns, against pymavlink"
        good &= report(name, found.ratio * work, 100, detail + found.told(work))

        size = layouts_by_id()[LOAD_SAMPLE.message_id].size
        body = our_frames(2)[1].rstrip(b"\x00")[2 : size + 1]
        found = paired_costs(
            load,
            lambda: [LOAD_SAMPLE.body.parse(body) for _ in range(PEER_FRAMES)],
            RECORDING_ROUNDS,
        )
        each, peer_each = found.mine.seconds / count, found.theirs.seconds / PEER_FRAMES
        detail = f"{each * 1e9:.0f} ns against {peer_each * 1e6:.1f} µs, without framing or CRC"
        name = "ten hours, all columns, against construct"
        good &= report(name, found.ratio * work, 300, detail + found.told(work))

        names = parquet.read_schema(table).names
        names.remove("host_time_utc")
        for name, ours, columns, what in (
            ("ten hours, against pyarrow", load_with_device_times, names, "device times unwrapped"),
            ("the same with host times", load_with_host_times, None, "for which a clock is fitted"),
        ):
            found = paired_costs(
                ours,
                lambda columns=columns: parquet.read_table(table, columns=columns),
                RECORDING_ROUNDS,
            )
            detail = f"{found.mine.seconds:.2f} s, {what}, against {found.theirs.seconds:.2f} s of "
            good &= report(name, found.ratio, 1 / 3, detail + "Parquet" + found.told(1.0))

        found = paired_costs(lambda: validate(path), peer_decoder(b"".join(peers)))
        print(
            f"validating ten hours: {found.mine.seconds:.2f} s, {found.ratio * work:.0f}x "
            "pymavlink (nothing wanted)"
        )

        picture = Path(folder) / "overview.png"
        mine = paired_costs(lambda: draw_overview(make_overview(path), picture), lambda: None).mine
        detail = f"{mine.seconds:.2f} s, {mine.processor_seconds:.2f} s of the processor"
        good &= report("overview of ten hours drawn in a second", 1 / mine.seconds, 1, detail)
    return good


STORE_LIMIT_SECONDS = 0.2
STORE_LIST = """SELECT c.code, c.note, c.cautions, v.n, v.last FROM clients c LEFT JOIN
    (SELECT client_id, count(*) n, max(started_at) last FROM visits GROUP BY client_id) v
    ON v.client_id = c.id ORDER BY c.code"""
STORE_SEARCH = """SELECT v.*, c.code, s.code,
    (SELECT count(*) FROM results r WHERE r.visit_id = v.id)
    FROM visits v JOIN clients c ON c.id = v.client_id LEFT JOIN services s ON s.id = v.service_id
    WHERE v.folded LIKE '%nobody wrote this%' ORDER BY v.started_at DESC LIMIT 100"""
STORE_TREND = """SELECT v.id, v.started_at, r.joint, s.degrees, s.torque_nm, s.torque_u, s.common_u
    FROM visits v JOIN results r ON r.visit_id = v.id JOIN stations s ON s.result_id = r.id
    WHERE v.client_id = 250 AND v.machine = 'heron' AND s.test = 1 ORDER BY v.started_at"""


def bench_store() -> bool:
    """A practice of 500 clients and 20,000 visits: lists, searches and a client's trend.

    Wanted: under 200 ms each, on SQLite and on PostgreSQL.  The peer is sqlite3 itself with
    the same rows, without records made of them and without judging changes.
    """
    from host.store import postgres
    from host.store.invented import fill
    from steelyard.store import Records
    from steelyard.store.kept import VisitFilter

    def tasks(records: Records) -> dict[str, Callable[[], object]]:
        last_month = VisitFilter(since=datetime(2025, 6, 1, tzinfo=UTC), client="C-250")
        return {
            "list of clients": records.clients.list,
            "search of clients": lambda: records.clients.list("cycling"),
            "page of visits": lambda: records.visits.list(limit=100),
            "search of visits": lambda: records.visits.list(VisitFilter(text="nobody wrote this")),
            "visits of a client": lambda: records.visits.list(last_month),
            "trend of a client": lambda: records.trends.of_client("C-250", "Heron"),
        }

    def filled(place: str) -> Records:
        begun = time.perf_counter()
        records = Records(place, "AB", lambda: datetime(2026, 1, 1, tzinfo=UTC))
        fill(records._database.engine, clients=500, visits=20_000)
        records.visits.count()
        print(f"{records.place}: filled in {time.perf_counter() - begun:.0f} s")
        return records

    good = True
    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        engines = {"SQLite": stack.enter_context(filled(folder))}
        size = sum(path.stat().st_size for path in Path(folder).glob("practice.records*"))
        print(f"SQLite: {size / 1e6:.0f} MB on disk")
        if postgres.why_not():
            print(f"PostgreSQL: MISSED, {postgres.why_not()}")
            good = False
        else:
            url = stack.enter_context(postgres.running_server()).format("postgres")
            engines["PostgreSQL"] = stack.enter_context(filled(url))
        plain = stack.enter_context(
            contextlib.closing(sqlite3.connect(Path(folder) / "practice.records"))
        )
        peers = {
            "list of clients": STORE_LIST,
            "search of visits": STORE_SEARCH,
            "trend of a client": STORE_TREND,
        }
        for engine, records in engines.items():
            for name, task in tasks(records).items():
                query = peers.get(name, "SELECT 1")
                mine, theirs = paired(task, lambda sql=query: plain.execute(sql).fetchall())  # type: ignore[misc]
                detail = f"{mine * 1e3:.1f} ms"
                if name in peers:
                    detail += f"; the rows alone by sqlite3 {theirs * 1e3:.1f} ms"
                good &= report(f"{engine}, {name}", STORE_LIMIT_SECONDS / mine, 1.0, detail)
    return good


def bench_analysis() -> bool:
    """A ten-minute session from file to every figure, against reading and filtering it alone.

    The peer reads the same file and runs scipy's dual-pass Butterworth filters over the same
    columns, with the cut-offs that the analysis uses: what any analysis has to do first.
    """
    import numpy as np
    from host.report.sessions import record_session
    from scipy.signal import butter, sosfiltfilt
    from steelyard.recording.reader import read_recording
    from steelyard.report.recorded_analysis import analyse_recording

    with tempfile.TemporaryDirectory() as folder:
        path = record_session(Path(folder) / "session.steelyard", 600.0)

        def peer() -> None:
            load = read_recording(path).loads[0]
            columns = ((load.load_counts, (4.0, 6.0)), (load.angle_counts, (3.0, 6.0)))
            for column, cut_offs in columns:
                values = column.astype(np.float64)
                for cut_off in cut_offs:
                    sosfiltfilt(butter(2, cut_off, fs=86.0, output="sos"), values)

        mine, theirs = paired(lambda: analyse_recording(path), peer)
    met = mine < 1.0
    print(
        f"analysis of 600 s: {mine:.2f} s (wanted < 1 s) {'ok' if met else 'MISSED'}; reading and "
        f"filtering alone: {theirs:.2f} s, {mine / theirs:.1f}x"
    )
    return met


def bench_firmware() -> bool:
    """What a sample costs the box, and the core that is left, from the virtual machine."""
    script = ROOT / "tests" / "firmware" / "sample_cost.py"
    return subprocess.run([sys.executable, str(script)], check=False).returncode == 0


def bench_screen() -> bool:
    """Age, smoothness and memory of the client display in a real browser, four at once."""
    from bench_screen import measure

    return measure(report)


BENCHES: dict[str, Callable[[], bool]] = {
    "bulk": bench_bulk,
    "stream": bench_stream,
    "latency": bench_latency,
    "memory": bench_memory,
    "recording": bench_recording,
    "help": bench_help,
    "firmware": bench_firmware,
    "broker": bench_broker,
    "store": bench_store,
    "screen": bench_screen,
    "analysis": bench_analysis,
}


def main() -> int:
    """Run the benches named, or all; exit 1 when a figure is missed."""
    chosen = sys.argv[1:] or list(BENCHES)
    unknown = [name for name in chosen if name not in BENCHES]
    if unknown:
        print(f"no bench called {', '.join(unknown)}; there are: {', '.join(BENCHES)}")
        return 2
    sys.path[:0] = [str(ROOT / "host"), str(ROOT / "protocol"), str(ROOT / "tests")]
    results = [BENCHES[name]() for name in chosen]
    return 0 if all(results) and threading.active_count() == 1 else 1


if __name__ == "__main__":
    sys.exit(main())
