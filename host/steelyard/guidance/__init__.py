"""What goes on at the machine while it goes on: samples in, views out.

The engine behind the screens.  It opens nothing, starts nothing and has no
clock of its own: decoded records go in with the time at which they came, and
``views`` (frozen, plain data) come out.  Figures are made by ``strength`` from
the very samples that stand in the recording, so they are the recording's.

Order of the parts: ``views`` and ``marks`` are what comes out;
``machine_scales``, ``sample_window``, ``stretch`` and ``live_signals`` make
signals of what comes in; ``step`` is what all steps have in common, and
``restraint_step``, ``balance_step``, ``isometric_step``, ``set_step`` and
``response_step`` are the steps; ``visit`` puts them in order.

In-house measurement: not a medical device.  Screening clients and deciding on
maximal efforts is for licensed professionals.
"""
