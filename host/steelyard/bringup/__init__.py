"""The bring-up check: what a freshly wired box gets right, and what it does not.

Order of the parts: ``finding`` is what is said; ``observation`` watches a box for a while;
``load_checks``, ``angle_checks`` and ``link_checks`` judge what was seen; ``operator_steps``
asks a person to push and to move; ``computer`` and ``computer_checks`` look at this end of the
cable; ``checkup`` runs it all.  Nothing here prints.
"""

from steelyard.bringup.checkup import Checkup, CheckupPlan, run_checkup
from steelyard.bringup.computer import PortFacts, port_facts
from steelyard.bringup.computer_checks import check_computer
from steelyard.bringup.finding import Finding, Measured, Severity
from steelyard.bringup.load_channel import LoadScale
from steelyard.bringup.operator_steps import Operator, Request, RequestKind

__all__ = [
    "Checkup",
    "CheckupPlan",
    "Finding",
    "LoadScale",
    "Measured",
    "Operator",
    "PortFacts",
    "Request",
    "RequestKind",
    "Severity",
    "check_computer",
    "port_facts",
    "run_checkup",
]
