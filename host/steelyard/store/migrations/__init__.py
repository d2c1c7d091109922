"""Steps from one schema to the next, oldest first in ``versions``."""
