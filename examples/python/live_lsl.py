"""One load channel by LSL, on LSL's clock, beside whatever else a laboratory records."""

import pylsl

(found,) = pylsl.resolve_byprop("type", "load", 1, timeout=10.0) or [None]
if found is None:
    raise SystemExit("no stream of this type on this network")
inlet = pylsl.StreamInlet(found)
while True:  # until Ctrl-C
    (value, standard_uncertainty, counts, sound), moment_seconds = inlet.pull_sample()
    print(f"{moment_seconds:.3f} {value} {standard_uncertainty} {counts} {sound}")
