"""Tests of what comes before a test: sheet, causes, options, donor boards."""
