"""What is on the other end of old wires, which sensor to buy, and how the box is wired.

Order of the parts: ``ohmmeter`` holds readings; ``bridge_network`` is the arithmetic of a
Wheatstone bridge with faults and ``bridge_identification`` its inverse, put into words by
``bridge_advice``; ``potentiometer_identification`` does the same for three terminals;
``sensor_choice`` is the purchase; ``board_facts`` reads the pins from the firmware and
``wiring_page`` and ``wiring_drawing`` make table and picture of them.

Measure old wires with every machine and amplifier unplugged and disconnected.
"""

from steelyard.wiring.bridge_advice import bridge_advice
from steelyard.wiring.bridge_identification import (
    BridgeExplanation,
    BridgeFault,
    BridgeIdentification,
    identify_bridge,
)
from steelyard.wiring.ohmmeter import OPEN, Tolerance, parse_ohms
from steelyard.wiring.potentiometer_identification import (
    PotentiometerExplanation,
    PotentiometerFault,
    PotentiometerIdentification,
    identify_potentiometer,
)
from steelyard.wiring.sensor_choice import Cell, Demand, SensorChoice, choose_sensor

__all__ = [
    "OPEN",
    "BridgeExplanation",
    "BridgeFault",
    "BridgeIdentification",
    "Cell",
    "Demand",
    "PotentiometerExplanation",
    "PotentiometerFault",
    "PotentiometerIdentification",
    "SensorChoice",
    "Tolerance",
    "bridge_advice",
    "choose_sensor",
    "identify_bridge",
    "identify_potentiometer",
    "parse_ohms",
]
