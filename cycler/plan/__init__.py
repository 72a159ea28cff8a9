"""The test before it is run: steps that yield what the criteria ask, with the instruments that are at hand."""
