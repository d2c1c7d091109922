"""The screens in the gym: the client sees the effort, the operator runs the session.

::

    box ── steelyard publish (its own process) ── Feed ── Door ══ client displays
                                                   │        ║
                                                  Desk ── pages ══ operators
                                                            ║
                                              Gate: host, origin, role, size

Everything to the left of ``Feed`` goes on whatever happens to the right of it.
"""
