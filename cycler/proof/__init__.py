"""Proof that a record is as it was issued: canonical JSON, the workshop's key, seals, and the check by a stranger.

Nothing in here asks the register: a record, the program and, for the figures, the raw logs are enough.
"""
