"""Who may see and do what: pairing codes, sessions, and the gate in front of all addresses."""
