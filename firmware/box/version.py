"""Version of the firmware, as `identity` reports it: major, minor, patch."""

FIRMWARE_VERSION = (0, 2, 0)
