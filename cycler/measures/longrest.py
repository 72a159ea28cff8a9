"""Two rests of different days: what each group's voltage lost against its siblings in between, as a current."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

COMMON_SHARE = 0.1
"""Standard uncertainty of how much more or less than its siblings a sound group follows what moved all of them (temperature, relaxation), as a
share of it. Common practice, no source."""
CHANNEL_SHARE = 0.1
"""What changes of a voltmeter channel's zero between two days (temperature, contact), as a share of its limit. Common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class LongDrift:
    """Change of each group against the median of its siblings between two rests.

    ``change_v`` and ``u_change_v`` have shape (series,) [V], ``common_v`` is what the median of all groups moved by [V], ``duration_s`` the time
    between with ``u_duration_s`` [s].
    """

    change_v: np.ndarray
    u_change_v: np.ndarray
    common_v: float
    duration_s: float
    u_duration_s: float

    @property
    def slope_v_per_s(self) -> np.ndarray:
        """Differential drift of each group. [V/s]"""
        return self.change_v / self.duration_s

    @property
    def u_slope_v_per_s(self) -> np.ndarray:
        """Its standard uncertainty, that of the time included. [V/s]"""
        return np.hypot(self.u_change_v, self.change_v * self.u_duration_s / self.duration_s) / self.duration_s


def long_drift(
    first_v: np.ndarray, second_v: np.ndarray, u_first_v: np.ndarray, u_second_v: np.ndarray, offset_v: float, gain: float,
    same_channels: bool, duration_s: float, u_duration_s: float = 0.0,
) -> LongDrift:
    """Differential drift of groups in series from two readings of all of them, days apart.

    Temperature and self-discharge common to all groups cancel against the median of the siblings.

    Parameters
    ----------
    first_v, second_v : ndarray, shape (series,)
        Voltage of each group at the two rests, no charge or discharge between; NaN = not known. [V]
    u_first_v, u_second_v : ndarray, shape (series,)
        Standard uncertainty of each from noise, resolution and what had not faded yet. [V]
    offset_v, gain : float
        Limits of error of a channel (half-widths, rectangular): zero, and share of reading. [V], [-]
    same_channels : bool
        True if the same channels of one instrument read the same groups on both days: their errors then cancel, but for ``CHANNEL_SHARE`` of
        the zero and the gain of what changed. Otherwise both count twice.
    duration_s, u_duration_s : float
        Time between the readings and its standard uncertainty. [s]

    Raises
    ------
    ValueError
        The time between is not above zero, or fewer than three groups were read twice.

    References
    ----------
    Example: siblings fall 0.5 mV/day, a group 2.8 mV/day: differential drift -2.3 mV/day (closed form). Correlated inputs: JCGM 100:2008, 5.2
    (from memory).
    """
    if duration_s <= 0:
        raise ValueError("the second rest is not after the first")
    moved = second_v - first_v
    known = np.isfinite(moved)
    if np.count_nonzero(known) < 3:
        raise ValueError("fewer than three groups were read twice")
    zero = offset_v / np.sqrt(3.0)
    level = np.nanmedian(first_v)
    if same_channels:
        channel = np.hypot(CHANNEL_SHARE * zero * np.sqrt(2.0), gain / np.sqrt(3.0) * np.abs(np.nan_to_num(moved)))
    else:
        channel = np.full(moved.shape, np.sqrt(2.0) * np.hypot(zero, gain / np.sqrt(3.0) * level))
    u_moved = np.sqrt(u_first_v**2 + u_second_v**2 + channel**2)
    change, u = np.full(moved.shape, np.nan), np.full(moved.shape, np.nan)
    for g in np.flatnonzero(known):
        others = known & (np.arange(moved.size) != g)
        siblings = float(np.median(moved[others]))
        # Standard error of a median of m normal values: 1.253 s/sqrt(m) (textbook).
        u_siblings = 1.253 * float(np.sqrt(np.mean(u_moved[others] ** 2) / np.count_nonzero(others)))
        change[g] = moved[g] - siblings
        u[g] = np.sqrt(u_moved[g] ** 2 + u_siblings**2 + (COMMON_SHARE * siblings) ** 2)
    return LongDrift(change, u, float(np.nanmedian(moved)), float(duration_s), float(u_duration_s))
