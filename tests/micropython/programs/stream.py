"""Be a box for ARGUMENTS["seconds"] of virtual time: bytes in, bytes out, nothing else."""

from bench_box import BenchBox
from machine_link import MachineLink

link = MachineLink()
box = BenchBox(link, ARGUMENTS.get("pio", False))  # noqa: F821 - set by vm.mjs
link.open()
box.run_for(ARGUMENTS["seconds"] * 1000000)  # noqa: F821 - set by vm.mjs
link.close()
