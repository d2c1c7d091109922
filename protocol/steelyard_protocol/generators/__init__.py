"""Writes everything that is derived from messages.py; ``tools/generate.py`` runs it."""
