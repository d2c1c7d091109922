"""Weights on the machine: the daily check and the calibration, one at a time, on the server."""
