"""Figures: plain data in, ``plotly`` figures (or positions on a scale) out. Nothing here knows Dash."""
