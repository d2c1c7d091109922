"""What the recorded forces and angles mean at the machine: torque about the joint's axis."""
