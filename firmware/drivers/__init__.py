"""The parts soldered to the box.  A driver is handed its pins or bus."""
