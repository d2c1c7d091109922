"""From a recording to everything that is said of a session, and to paper.

``sources`` finds what a session is analysed with (calibrations, profile, sheet),
``recorded_analysis`` analyses it, ``provenance`` says what it came from.
``result_file`` keeps the figures, ``recompute`` proves them.  ``progress`` compares visits;
``client_report`` and ``clinician_report`` put into words, ``figures`` draw, ``issue`` writes.

An in-house measurement; not a medical device.
"""
