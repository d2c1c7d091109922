"""What the recorded forces and angles mean at the machine.

Order of the parts: ``machine_profile`` (and ``profile_file``) says what the
machine is; ``torque_scale`` and ``recorded_signals`` make ``signals``, evenly
spaced torque and angle; ``lowpass``, ``movement`` and ``restraint`` look at
those; ``balance``, ``counterweight``, ``crank_moment`` and ``segment_check``
take weight out; ``effort`` (measured in ``effort_measures``, judged in
``effort_validity``), ``isometric`` and ``torque_curve`` give strength;
``repetitions``, ``repetition_measures``, ``smoothness``, ``form_faults`` and
``set_summary`` follow a set; ``before_after``, ``reliability``,
``limits_of_agreement``, ``visits`` and ``load_rule`` compare.
``session_analysis`` does a whole session.

Pure mathematics but for reading a profile.  In-house measurement: not a
medical device.
"""
