"""From the first reading of a dead pack to what is done about it: sheet, groups, thermistors, causes, options, donor board.

Nothing here knows a log or the register: readings go in, plain figures with their uncertainty and reasons come out.
"""
