"""The one door to ``cycler``: register, analysis, criteria, comparison and records, as the pages need them.

Each module is the part of one page; :class:`dashboard.data.Door` puts them together. No other module of the dashboard knows the register.
"""
