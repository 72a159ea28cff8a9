"""Open-circuit voltage curves of the simulator: our own invented tables, smooth and monotone.

The shapes follow what is common for the two chemistries (NMC: sloping, knee below 10 %; LFP: flat middle, steep
ends). The values are made up for the sample logs and describe no maker's cell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class OcvCurve:
    """Monotone piecewise cubic through a table, straight beyond its ends.

    Attributes
    ----------
    soc_nodes : ndarray, shape (k,)
        State of charge, strictly increasing; may reach beyond 0..1.
    volt_nodes : ndarray, shape (k,)
        Open-circuit voltage, never decreasing. [V]

    References
    ----------
    Monotone cubic: F. N. Fritsch and J. Butland, 1984 (weighted harmonic mean of the chord slopes; from memory).
    """

    soc_nodes: np.ndarray
    volt_nodes: np.ndarray
    node_slopes: np.ndarray

    @classmethod
    def through(cls, table: tuple[tuple[float, float], ...]) -> OcvCurve:
        """Curve through (state of charge, volts) pairs."""
        soc, volt = (np.array(column, dtype=float) for column in zip(*table, strict=True))
        width, chord = np.diff(soc), np.diff(volt) / np.diff(soc)
        if np.any(width <= 0) or np.any(chord < 0):
            raise ValueError("state of charge must increase and voltage must not fall along the table")
        slopes = np.empty_like(soc)
        slopes[0], slopes[-1] = chord[0], chord[-1]
        w1, w2 = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
        both = (chord[:-1] > 0) & (chord[1:] > 0)
        safe = np.where(both[:, None], np.stack([chord[:-1], chord[1:]], axis=1), 1.0)
        slopes[1:-1] = np.where(both, (w1 + w2) / (w1 / safe[:, 0] + w2 / safe[:, 1]), 0.0)
        return cls(soc, volt, slopes)

    def _piece(self, soc: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        index = np.clip(np.searchsorted(self.soc_nodes, soc, side="right") - 1, 0, self.soc_nodes.size - 2)
        width = self.soc_nodes[index + 1] - self.soc_nodes[index]
        return index, width, (soc - self.soc_nodes[index]) / width

    def voltage(self, soc: np.ndarray) -> np.ndarray:
        """Open-circuit voltage at a state of charge (any shape). [V]"""
        soc = np.asarray(soc, dtype=float)
        index, width, x = self._piece(soc)
        y0, y1 = self.volt_nodes[index], self.volt_nodes[index + 1]
        m0, m1 = self.node_slopes[index] * width, self.node_slopes[index + 1] * width
        inside = y0 + x * (m0 + x * (3 * (y1 - y0) - 2 * m0 - m1 + x * (m0 + m1 - 2 * (y1 - y0))))
        below = y0 + m0 * x
        above = y1 + m1 * (x - 1)
        return np.where(x < 0, below, np.where(x > 1, above, inside))

    def slope(self, soc: np.ndarray) -> np.ndarray:
        """Derivative of voltage by state of charge (0..1). [V]"""
        index, width, x = self._piece(np.asarray(soc, dtype=float))
        y0, y1 = self.volt_nodes[index], self.volt_nodes[index + 1]
        m0, m1 = self.node_slopes[index] * width, self.node_slopes[index + 1] * width
        x = np.clip(x, 0.0, 1.0)
        return (m0 + x * (2 * (3 * (y1 - y0) - 2 * m0 - m1) + 3 * x * (m0 + m1 - 2 * (y1 - y0)))) / width

    def soc_at(self, voltage_v: float) -> float:
        """State of charge at which the curve passes a voltage inside its table (bisection)."""
        low, high = float(self.soc_nodes[0]), float(self.soc_nodes[-1])
        for _ in range(80):
            middle = 0.5 * (low + high)
            if float(self.voltage(np.array(middle))) < voltage_v:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)


NMC = OcvCurve.through((
    (-0.05, 1.70), (-0.02, 2.60), (0.00, 3.000), (0.02, 3.185), (0.05, 3.335), (0.10, 3.450), (0.15, 3.510),
    (0.20, 3.553), (0.30, 3.620), (0.40, 3.682), (0.50, 3.750), (0.60, 3.830), (0.70, 3.920), (0.80, 4.008),
    (0.90, 4.096), (1.00, 4.200), (1.05, 4.262),
))
LFP = OcvCurve.through((
    (-0.05, 1.00), (-0.02, 2.00), (0.00, 2.550), (0.02, 2.900), (0.05, 3.090), (0.10, 3.185), (0.20, 3.234),
    (0.30, 3.266), (0.40, 3.286), (0.50, 3.295), (0.60, 3.303), (0.70, 3.320), (0.80, 3.330), (0.90, 3.335),
    (0.95, 3.345), (0.98, 3.395), (1.00, 3.495), (1.01, 3.640), (1.02, 3.900),
))
CURVES: dict[str, OcvCurve] = {"nmc": NMC, "lfp": LFP}


def constant_curve(voltage_v: float) -> OcvCurve:
    """A curve that stays at one voltage, for checks against closed forms."""
    return OcvCurve.through(((0.0, voltage_v), (1.0, voltage_v)))
