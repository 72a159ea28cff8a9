"""Figures from arrays: each module holds small pure functions for one phenomenon; no text, no limits, no files."""
