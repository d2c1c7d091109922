"""The Steelyard wire protocol: one definition, and what is derived from it.

Imports nothing beyond the standard library and construct (the bulk decoder
also numpy), does no input or output, and never raises on bytes from a wire.
"""
