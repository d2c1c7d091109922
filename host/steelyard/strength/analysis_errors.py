"""What the analysis of a session raises on purpose; branches of the tree in ``steelyard.errors``.

A fault in the data of a session (missing samples, a restart, nobody pushing) is
no error: it is a ``Statement`` beside the results, and what it spoils is not
computed.  An error is raised where nothing can be analysed at all.
"""

from __future__ import annotations

from steelyard.errors import SteelyardError


class AnalysisError(SteelyardError):
    """A session cannot be analysed, or a figure was asked for that the data cannot give."""


class ProfileError(AnalysisError):
    """A machine profile cannot be understood, or contradicts itself."""


class WrongMachineError(AnalysisError):
    """The recording was made on another machine or box than the profile describes."""
